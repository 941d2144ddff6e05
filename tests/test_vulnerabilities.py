"""The check for known vulnerabilities fails for what is known, and says so when it could not ask."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.vulnerabilities import AUDIT, CONSTRAINTS, audited

SOUND = {"name": "orjson", "version": "3.13.0", "vulns": []}
SKIPPED = {"name": "flask", "skip_reason": "Dependency not found and could not be audited: flask (3.1.3)"}
HURT = {
    "name": "jinja2", "version": "2.4.1",
    "vulns": [{"id": "PYSEC-2014-8", "fix_versions": ["2.7.2"], "aliases": [], "description": "x"},
              {"id": "PYSEC-0000-0", "fix_versions": [], "aliases": [], "description": "y"}],
}  # fmt: skip
REFUSED = "requests.exceptions.ConnectionError: HTTPSConnectionPool(host='x', port=443): Max retries exceeded"


def answering(status: int, *dependencies: dict[str, Any], error: str = "") -> list[str]:
    """A command that answers like an audit: a body only where there is something to tell."""
    body = json.dumps({"dependencies": dependencies, "fixes": []}) if dependencies else ""
    code = f"import sys; sys.stdout.write({body!r}); sys.stderr.write({error!r}); sys.exit({status})"
    return [sys.executable, "-c", code]


@pytest.mark.parametrize(
    ("command", "status", "said"),
    [
        (answering(0, SOUND), 0, "none known of 1 packages; 0 could not"),
        (answering(0, SOUND, SKIPPED), 0, "none known of 1 packages; 1 could not"),
        (answering(0, SKIPPED, SKIPPED), 0, "not asked, the index tells of none of 2 packages"),
        (answering(1, SOUND, HURT), 1, "jinja2 2.4.1: PYSEC-2014-8, mended in 2.7.2"),
        (answering(1, HURT), 1, "PYSEC-0000-0, mended in no version yet"),
        (
            answering(1, error="ERROR:x:Could not connect to the feed\nTip: y\n"),
            0,
            "not asked, ERROR:x:Could not connect",
        ),
        (answering(1, error=f"Traceback\n{REFUSED}\n"), 0, "not asked, requests.exceptions.ConnectionError"),
        (answering(1, error="requests.exceptions.ReadTimeout: x\n"), 0, "not asked, requests.exceptions.ReadTimeout"),
        (answering(1, error="requests.exceptions.HTTPError: 503 Server Error\n"), 0, "not asked"),
        (answering(1, error="requests.exceptions.HTTPError: 403 Client Error\n"), 1, "the audit itself failed"),
        (answering(1), 1, "the audit itself failed\nit said nothing"),
        ([sys.executable, "-c", "print('[]')"], 1, "the audit itself failed"),
        ([sys.executable, "-m", "no_such_module"], 1, "No module named no_such_module"),
        ([*AUDIT, "--no-such-option"], 1, "unrecognized arguments: --no-such-option"),
    ],
    ids=[
        "sound",
        "in part",
        "mirror",
        "found",
        "no mend",
        "unreachable",
        "refused",
        "slow",
        "away",
        "forbidden",
        "silent",
        "other body",
        "not installed",
        "unknown option",
    ],
)
def test_verdict(command: list[str], status: int, said: str) -> None:
    found = audited(command)
    assert found[0] == status
    assert said in found[1]


def test_a_list_that_cannot_be_read_fails(tmp_path: Path) -> None:
    broken = tmp_path / "constraints.txt"
    broken.write_text("flask==\n!!\n")
    status, said = audited([str(broken) if part == str(CONSTRAINTS) else part for part in AUDIT])
    assert (status, "the audit itself failed" in said) == (1, True)


def test_an_audit_that_hangs_is_given_up() -> None:
    found = audited([sys.executable, "-c", "import time; time.sleep(60)"], seconds=0.05)
    assert found == (0, "vulnerabilities: not asked, no answer within 0.05 s")


def test_what_is_asked_about_is_what_is_pinned() -> None:
    assert str(CONSTRAINTS) in AUDIT
    assert "flask" in CONSTRAINTS.read_text().lower()
