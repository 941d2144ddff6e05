"""The API document held against a running service: requests that Schemathesis makes of it, valid and not, in chains."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import schemathesis
from schemathesis.engine import events, from_schema
from schemathesis.engine.recorder import ScenarioRecorder

from service.api_document.field_shapes import PRINTABLE

COMMITTED = Path(__file__).parents[2] / "openapi" / "cutledger.json"
PHASES = ("examples", "coverage", "fuzzing", "stateful")
#: What the document cannot say of valid data: fields and parameters that are compared with each other or with what is
#: kept. Such requests are refused with 422, which says where.
_SAID_IN_WORDS = "422"
#: Too slow, its line too long, its header too large.
_OF_ANY = (408, 414, 431)
_EASED = PRINTABLE.replace(r"(?=.*\S)", "")


@dataclass
class Outcome:
    """What came of a run."""

    requests: int = 0
    statuses: Counter[int] = field(default_factory=Counter)
    phases: Counter[str] = field(default_factory=Counter)
    operations: Counter[str] = field(default_factory=Counter)
    failures: dict[str, str] = field(default_factory=dict)
    seconds: float = 0.0

    def add(self, other: Outcome) -> None:
        """Take in what came of another run."""
        self.requests += other.requests
        self.seconds += other.seconds
        for mine, theirs in (
            (self.statuses, other.statuses), (self.phases, other.phases), (self.operations, other.operations)
        ):  # fmt: skip
            mine.update(theirs)
        self.failures |= other.failures


def settings(
    key: str | None, *, examples: int, steps: int, phases: tuple[str, ...], seed: int, max_failures: int | None = None
) -> dict[str, Any]:
    """Settings of a run: all checks, valid and invalid data."""
    told: dict[str, Any] = {
        "seed": seed,
        "continue-on-failure": True,
        "request-timeout": 60,
        "generation": {"mode": "all", "max-examples": examples, "database": "none", "no-shrink": True},
        "phases": {name: {"enabled": name in phases} for name in PHASES},
        "checks": {
            "positive_data_acceptance": {
                "expected-statuses": ["2xx", "3xx", "401", "403", "404", "406", "409", "412", "429", _SAID_IN_WORDS]
            },
            "negative_data_rejection": {"expected-statuses": ["4xx"]},
        },
        # The boundary values of fourteen types of events in an array are not counted out in minutes.
        "operations": [{"include-name": "POST /v1/events", "phases": {"coverage": {"enabled": False}}}],
        "warnings": {"enabled": False},
    }
    told["phases"]["stateful"]["max-steps"] = steps
    if key is not None:
        told["headers"] = {"Authorization": f"Bearer {key}"}
    if max_failures is not None:
        told["max-failures"] = max_failures
    return told


@schemathesis.hook
def before_call(context: Any, case: Any, kwargs: Any) -> None:  # noqa: ARG001
    """A run that ends its own key learns nothing after it; links name that key once a case is made, so it is here."""
    own_id = (case.operation.schema.config.headers or {}).get("Authorization", "__").split("_")[1]
    if case.path_parameters and case.path_parameters.get("key_id") == own_id:
        case.path_parameters["key_id"] = "aaaaaaaa"


def run(schema: Any, *, until: float) -> Outcome:
    """Ask what the schema's settings say, until an instant of the monotonic clock at the latest."""

    @schema.hooks.hook
    def map_case(context: Any, case: Any) -> Any:  # noqa: ARG001
        """Nothing is learned from a body that is said to be packed and is not."""
        packing = (case.headers or {}).get("Content-Encoding")
        if packing in ("gzip", "x-gzip"):
            # The body is not packed by who makes it up.
            case.headers["Content-Encoding"] = "identity"
        elif packing is not None and not packing.strip():
            # No wrong one: an empty list is as good as none (RFC 9110, 5.6.1).
            case.headers["Content-Encoding"] = "br"
        if (
            case.operation.path == "/v1/webhooks"
            and isinstance(case.body, dict)
            and isinstance(case.body.get("url"), str)
        ):
            # Pushes go nowhere: an address that is kept for documents (RFC 5737).
            case.body["url"] = "https://192.0.2.7/pushes"
        return case

    @schema.hooks.hook
    def filter_failure(context: Any, failure: Any, case: Any, response: Any) -> bool:  # noqa: ARG001
        """What the server says of a request before it knows for which operation it is, the document says once."""
        return not (response.status_code in _OF_ANY and "Undocumented status code" in failure.title)

    began, outcome = time.monotonic(), Outcome()
    stream = from_schema(schema).execute()
    for event in stream:
        if isinstance(event, events.ScenarioFinished):
            _count(event.recorder, event.phase.name.lower(), outcome)
        elif isinstance(event, events.NonFatalError):
            outcome.failures[f"{event.label}: {event.info.title}"] = str(event.value)
        elif isinstance(event, events.FatalError):
            outcome.failures["the run"] = repr(event.exception)
        if time.monotonic() > until:
            stream.stop()
    outcome.seconds = time.monotonic() - began
    return outcome


def _count(recorder: ScenarioRecorder, phase: str, outcome: Outcome) -> None:
    for name, interaction in recorder.interactions.items():
        outcome.requests += 1
        outcome.phases[phase] += 1
        case = recorder.cases[name].value
        outcome.operations[case.operation.label] += 1
        outcome.statuses[interaction.response.status_code if interaction.response is not None else 0] += 1
    for title, told in _failures(recorder):
        outcome.failures.setdefault(title, told)


def _failures(recorder: ScenarioRecorder) -> Iterator[tuple[str, str]]:
    """(what fails, the request that shows it)."""
    for name, checks in recorder.checks.items():
        for check in checks:
            if check.failure_info is not None:
                failure = check.failure_info.failure
                case = recorder.cases[name].value
                told = f"{failure.message}\n{check.failure_info.code_sample}"
                response = recorder.find_response(case_id=name)
                if response is not None:
                    told += f"\n{response.status_code} {response.content[:600]!r}"
                yield f"{case.operation.label}: {check.name}: {failure.title}", told


def schema_of(document: Mapping[str, Any], told: Mapping[str, Any], url: str) -> Any:
    """The schema of a document, to be asked at an address."""
    config = schemathesis.Config.from_dict({**told, "base-url": url})
    return schemathesis.openapi.from_dict(_eased(document), config=config)


def _eased(part: Any) -> Any:
    """The document with texts that may be blank: text of a length is not found in hours when it looks ahead."""
    if isinstance(part, dict):
        return {
            name: _EASED if name == "pattern" and each == PRINTABLE else _eased(each) for name, each in part.items()
        }
    return [_eased(each) for each in part] if isinstance(part, list) else part
