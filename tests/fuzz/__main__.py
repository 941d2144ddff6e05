"""`python -m tests.fuzz`: thousands of requests made of the API document, asked of a real server by each role.

It ends with status 1 when any answer has a status of 500 or more, or is none that the document tells; and when fewer
requests were made than were asked for.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from service.schemas.examples import EXAMPLES
from tests.fuzz.contract import COMMITTED, PHASES, Outcome, run, schema_of, settings
from tests.service.serving import serving
from worker.database import Database
from worker.keys import ROLES, new_key

SITE = "main"
#: Keys that are wrong on purpose come from one address by the hundred: limited, they would hide all other answers.
QUIET = ("--quiet", "--rate", "0", "--failures", "0")
#: Examples of each operation in a round, and requests in a chain.
EXAMPLES_A_ROUND = 60
STEPS = 8
#: The administrator, who may do all, asks most. Of the others, who are refused most, a round is small and leaves the
#: bounds of each parameter out.
SMALL = 6
SMALL_PHASES = tuple(phase for phase in PHASES if phase != "coverage")


def key_of(folder: Path, role: str | None) -> str | None:
    """A key of a role for the site, made beside the running server."""
    if role is None:
        return None
    database = Database(f"sqlite:///{folder / 'data' / 'cutledger.sqlite3'}")
    try:
        with database.write() as connection:
            text, _ = new_key(connection, name=role, roles=[role], sites=[SITE], now_us=time.time_ns() // 1_000)
    finally:
        database.close()
    return text


def main(arguments: list[str]) -> int:
    """Ask until so many requests are made, show what came of them."""
    asked = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    asked.add_argument("--requests", type=int, default=20_000, help="how many requests to make at least")
    asked.add_argument("--seconds", type=float, default=1_500, help="after so long no further round begins")
    asked.add_argument("--seed", type=int, default=1, help="seed of the first round")
    asked.add_argument("--json", type=Path, help="file for the figures")
    told = asked.parse_args(arguments)
    document = json.loads(COMMITTED.read_text())
    total, ends = Outcome(), time.monotonic() + told.seconds
    with tempfile.TemporaryDirectory() as name, serving(Path(name), *QUIET) as server:
        folder, url = Path(name), f"http://{server.host}:{server.port}"
        said = [each for kind, each in EXAMPLES.items() if kind != "cutledger.event.voided"]
        answer = server.ask("POST", "/v1/events", key=key_of(folder, "admin") or "", body=said)
        assert answer.status == 202, answer.body
        seed = told.seed
        for role in (*(each for each in ROLES if each != "admin"), None):
            asking = settings(key_of(folder, role), examples=SMALL, steps=STEPS, phases=SMALL_PHASES, seed=seed)
            _round(document, url, asking, f"{role or 'no key'}, seed {seed}", ends, total)
        while total.requests < told.requests and time.monotonic() < ends:
            asking = settings(key_of(folder, "admin"), examples=EXAMPLES_A_ROUND, steps=STEPS, phases=PHASES, seed=seed)
            _round(document, url, asking, f"admin, seed {seed}", ends, total)
            seed += 1
    show(total)
    if told.json is not None:
        told.json.write_text(json.dumps(figures(total), indent=2) + "\n")
    whole = total.requests >= told.requests
    if not whole:
        print(f"only {total.requests:,} of {told.requests:,} requests were made", file=sys.stderr)  # noqa: T201
    return int(bool(total.failures) or not whole)


def _round(document: dict[str, Any], url: str, asking: dict[str, Any], who: str, ends: float, total: Outcome) -> None:
    outcome = run(schema_of(document, asking, url), until=ends)
    # At once: whoever breaks a long run off has seen what it found.
    for name, told in sorted(outcome.failures.items()):
        if name not in total.failures:
            print(f"\n== {name}\n{told}", flush=True)  # noqa: T201
    total.add(outcome)
    print(  # noqa: T201
        f"{who:20} {outcome.requests:7,} requests {outcome.seconds:6.0f} s {len(outcome.failures):3} kinds of failure",
        flush=True,
    )


def figures(total: Outcome) -> dict[str, object]:
    """What came of all, as JSON."""
    return {
        "requests": total.requests,
        "seconds": round(total.seconds, 1),
        "phases": dict(total.phases),
        "statuses": {str(status): number for status, number in sorted(total.statuses.items())},
        "operations": len(total.operations),
        "failures": total.failures,
    }


def show(total: Outcome) -> None:
    """Print the figures; each kind of failure was printed with its round."""
    statuses = ", ".join(f"{status}: {number:,}" for status, number in sorted(total.statuses.items()))
    phases = ", ".join(f"{phase} {number:,}" for phase, number in total.phases.items())
    print(  # noqa: T201
        f"\n{total.requests:,} requests to {len(total.operations)} operations in {total.seconds:,.0f} s ({phases})\n"
        f"statuses: {statuses}\n"
        f"{len(total.failures)} kinds of failure"
    )


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
