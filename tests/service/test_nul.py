"""A NUL, which PostgreSQL takes in no text: refused by name, never a fault."""

from __future__ import annotations

import base64

import pytest

from tests.service.conftest import Door


@pytest.mark.parametrize(
    ("path", "parameter"),
    [
        ("/v1/findings?after=%00", "after"), ("/v1/reports/yield?heat_number=%00", "heat_number"),
        ("/v1/reports/coverage?machine=a%00b", "machine"), ("/v1/attempts?job=%00", "job"),
        ("/v1/plates?heat_number=x%00", "heat_number"), ("/v1/events?subject=%00", "subject"),
    ],
)  # fmt: skip
def test_a_nul_in_a_parameter_is_refused_by_name(door: Door, path: str, parameter: str) -> None:
    answer = door.ask("GET", path)
    assert (answer.status_code, answer.get_json()["errors"][0]["parameter"]) == (422, parameter)


@pytest.mark.parametrize(
    "path", ["/v1/findings/F-%00abc", "/v1/attempts/%00", "/v1/plates/a%00/events", "/v1/jobs/%00"]
)
def test_nothing_stands_under_an_id_with_a_nul(door: Door, path: str) -> None:
    assert door.ask("GET", path).status_code == 404


def test_a_cursor_with_a_nul_in_it_is_none_of_ours(door: Door) -> None:
    cursor = base64.urlsafe_b64encode(b'["a\\u0000b","","",""]').decode()
    for state in ("open", "closed", "all"):
        answer = door.get("/v1/findings", after=cursor, state=state)
        assert (answer.status_code, answer.get_json()["errors"][0]["parameter"]) == (422, "after")
