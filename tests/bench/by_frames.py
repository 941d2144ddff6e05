"""What a person with a notebook would write: measures by thickness of an exported ledger. Knows nothing of the project.

`python -m tests.bench.by_frames FILE` prints them as JSON: by thickness in mm the sums of MEASURES, in this order.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pandas as pd  # type: ignore[import-untyped]

MEASURES = ("attempts", "parts_judged_first", "first_pass_good", "pierces", "failed_pierces")


def by_thickness(path: Path) -> dict[str, list[int]]:
    """Sums of MEASURES of all production attempts. Each attempt has a job, which tells the thickness."""
    jobs, attempts = [], []
    with path.open("rb") as file:
        for line in file:
            event = json.loads(line).get("event")
            if event is None:
                continue
            if event["type"] == "cutledger.job.opened":
                jobs.append({"job": event["subject"], "mm": event["data"]["thickness_mm"]})
            elif event["type"] == "cutledger.attempt.finished":
                attempts.append(_attempt(event["subject"], event["data"]))
    table = pd.DataFrame(attempts).merge(pd.DataFrame(jobs), on="job")
    table["first"] = table["retry_of"].isna()
    table["judged_first"] = table["quantity"].where(table["first"], 0)
    table["good_first"] = table["good"].where(table["first"], 0)
    found = table.groupby("mm").agg(
        attempts=("attempt", "count"), judged=("judged_first", "sum"), good=("good_first", "sum"),
        pierces=("pierces", "sum"), failed=("failed_pierces", "sum"),
    )  # fmt: skip
    return {f"{mm:g}": [int(value) for value in row] for mm, row in zip(found.index, found.to_numpy(), strict=True)}


def _attempt(subject: str, data: dict[str, Any]) -> dict[str, Any]:
    names = ("job", "retry_of", "quantity", "good", "pierces", "failed_pierces")
    return {"attempt": subject, **{name: data.get(name) for name in names}}


if __name__ == "__main__":
    print(json.dumps(by_thickness(Path(sys.argv[1]))))  # noqa: T201
