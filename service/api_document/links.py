"""What an answer leads to: the operations that its ids are for."""

from __future__ import annotations

from typing import Final

from service.api_document.field_shapes import Shape

_FIRST: Final = "$response.body#/items/0/"
_BODY: Final = "$response.body#/"

#: (operation, status, operation that it leads to, where that one's parameter of the path is read).
_LINKS: Final[tuple[tuple[str, int, str, dict[str, str]], ...]] = (
    ("post_events", 202, "get_job", {"job": "$request.body#/data/job"}),
    ("post_events", 202, "get_plate", {"plate": "$request.body#/data/plate"}),
    ("post_events", 202, "get_attempt", {"attempt": "$request.body#/subject"}),
    ("get_jobs", 200, "get_job", {"job": f"{_FIRST}job"}),
    ("get_job", 200, "get_job_events", {"job": f"{_BODY}job"}),
    ("get_plates", 200, "get_plate", {"plate": f"{_FIRST}plate"}),
    ("get_plate", 200, "get_plate_precheck", {"plate": f"{_BODY}plate"}),
    ("get_plate", 200, "get_plate_events", {"plate": f"{_BODY}plate"}),
    ("get_attempts", 200, "get_attempt", {"attempt": f"{_FIRST}attempt"}),
    ("get_attempt", 200, "get_attempt_events", {"attempt": f"{_BODY}attempt"}),
    ("get_findings", 200, "get_finding", {"finding_id": f"{_FIRST}id"}),
    ("get_finding", 200, "post_finding_note", {"finding_id": f"{_BODY}id"}),
    ("post_finding_note", 201, "get_finding", {"finding_id": f"{_BODY}finding"}),
    ("get_proofs", 200, "get_proof", {"proof": f"{_FIRST}id"}),
    ("get_proof", 200, "get_proof_dossier", {"proof": f"{_BODY}id"}),
    ("post_proof", 201, "get_proof", {"proof": f"{_BODY}id"}),
    ("get_holds", 200, "get_hold", {"hold": f"{_FIRST}id"}),
    ("post_hold", 201, "get_hold", {"hold": f"{_BODY}id"}),
    ("post_hold", 201, "post_hold_lifting", {"hold": f"{_BODY}id"}),
    ("get_trials", 200, "get_trial", {"trial": f"{_FIRST}id"}),
    ("post_trial", 201, "get_trial", {"trial": f"{_BODY}id"}),
    ("get_trial", 200, "post_trial_conclusion", {"trial": f"{_BODY}id"}),
    ("post_key", 201, "delete_key", {"key_id": f"{_BODY}key_id"}),
    ("post_site", 201, "get_site", {"site": f"{_BODY}site"}),
    ("get_sites", 200, "get_site", {"site": f"{_FIRST}site"}),
    ("post_audit", 202, "get_audit", {}),
)


def link(operations: dict[str, Shape]) -> None:
    """Say in the answers of these operations what they lead to."""
    for name, status, target, parameters in _LINKS:
        summary = operations[target]["summary"].rstrip(".")
        answer = operations[name]["responses"][str(status)]
        answer.setdefault("links", {})[target] = {
            "operationId": target,
            "description": summary,
            **({"parameters": parameters} if parameters else {}),
        }
