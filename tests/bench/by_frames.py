"""What a person with a notebook would write: day tallies of an exported ledger, and from them measures by thickness.

Knows nothing of the project. `python -m tests.bench.by_frames FILE` prints the measures as JSON: by thickness in mm the
sums of MEASURES, in this order. It takes for granted what is so in the bench's shop: each attempt names its job and its
plate, is told in one event and judged whole, and a retry is the second attempt.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pandas as pd  # type: ignore[import-untyped]

MEASURES = (
    "attempts", "first_attempts", "parts_tried", "parts_started", "parts_judged_first", "first_pass_good", "good",
    "rework", "scrap", "not_made", "recovered", "in_rework", "pierces", "failed_pierces", "rework_minutes",
    "cutting_seconds", "lost_seconds", "scrap_mass_kg", "cost_of_poor_quality", "clusters",
)  # fmt: skip
DIMENSIONS = ["day", "shift", "machine", "mm", "material", "gas", "recipe", "rust_grade", "edges", "purpose"]
ZONE, DAY_START = "Europe/Berlin", 6
SHIFTS = ((6, "early"), (14, "late"), (22, "night"))
LABOUR, MACHINE, MATERIAL = 46, 120, 1.15


def by_thickness(path: Path) -> dict[str, list[float]]:
    """Sums of MEASURES of all production attempts."""
    jobs, plates, attempts, reworks = _read(path)
    table = attempts.merge(jobs, on="job").merge(plates, on="plate").merge(reworks, on="attempt", how="left")
    sums = _tallies(_placed(_counted(table.fillna({"minutes": 0.0, "recovered": 0.0, "gone": 0.0}))))
    found = sums.groupby("mm")[list(MEASURES)].sum()
    return {f"{mm:g}": [float(value) for value in row] for mm, row in found.iterrows()}


def _read(path: Path) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    jobs, plates, attempts, reworks = [], [], [], []
    with path.open("rb") as file:
        for line in file:
            event = json.loads(line).get("event")
            if event is None:
                continue
            subject, data = event["subject"], event["data"]
            match event["type"]:
                case "cutledger.job.opened":
                    jobs.append({"job": subject, "mass": data["part_mass_kg"]})
                case "cutledger.plate.received":
                    names = ("material", "rust_grade", "edges")
                    plates.append(
                        {"plate": subject, "mm": data["thickness_mm"], **{name: data[name] for name in names}}
                    )
                case "cutledger.attempt.finished":
                    attempts.append(_attempt(subject, event["time"], data))
                case "cutledger.attempt.reworked":
                    told = {name: data.get(name) or 0 for name in ("minutes", "recovered")}
                    reworks.append({"attempt": subject, "gone": data.get("scrapped") or 0, **told})
    reworked = pd.DataFrame(reworks).groupby("attempt", as_index=False).sum()
    return pd.DataFrame(jobs), pd.DataFrame(plates), pd.DataFrame(attempts), reworked


def _attempt(subject: str, time: str, data: dict[str, Any]) -> dict[str, Any]:
    names = (
        "job", "plate", "machine", "gas", "piece", "retry_of", "quantity", "good", "rework", "scrap", "outcome",
        "pierces", "failed_pierces", "seconds",
    )  # fmt: skip
    recipe = f"{data['recipe']['name']} / {data['recipe']['revision']}"
    told = {name: data.get(name) for name in names}
    return {"attempt": subject, "time": time, "recipe": recipe, "purpose": data.get("purpose") or "production", **told}


def _counted(table: pd.DataFrame) -> pd.DataFrame:
    """What each attempt adds to each measure."""
    first = table["retry_of"].isna()
    table["parts_tried"] = table["quantity"]
    table["not_made"] = table["quantity"] - table[["good", "rework", "scrap"]].sum(axis=1)
    table["attempts"], table["first_attempts"] = 1, first.astype(int)
    table["parts_started"] = table["parts_judged_first"] = table["quantity"].where(first, 0)
    table["first_pass_good"] = table["good"].where(first, 0)
    table["in_rework"] = table["rework"] - table["recovered"] - table["gone"]
    table["rework_minutes"], table["cutting_seconds"] = table["minutes"], table["seconds"]
    table["lost_seconds"] = table["seconds"] * (table["scrap"] + table["not_made"]) / table["quantity"]
    # A blank is lost with the last attempt of its piece.
    last = ~table["attempt"].isin(table["retry_of"].dropna())
    table["scrap_mass_kg"] = table["mass"] * (table["scrap"] + table["gone"] + table["not_made"].where(last, 0))
    table["cost_of_poor_quality"] = (
        table["minutes"] / 60 * LABOUR + table["lost_seconds"] / 3600 * MACHINE + table["scrap_mass_kg"] * MATERIAL
    )
    return table


def _placed(table: pd.DataFrame) -> pd.DataFrame:
    """Production day and shift of the start."""
    ended = pd.to_datetime(table["time"], format="ISO8601", utc=True)
    began = (ended - pd.to_timedelta(table["seconds"], unit="s")).dt.tz_convert(ZONE)
    table["day"] = (began - pd.to_timedelta(DAY_START, unit="h")).dt.date
    table["shift"] = SHIFTS[-1][1]
    for hour, name in SHIFTS:
        table.loc[began.dt.hour >= hour, "shift"] = name
    return table


def _tallies(table: pd.DataFrame) -> pd.DataFrame:
    """Sums by day and all that is counted apart; a cluster is the first attempts of one plate in one of them."""
    groups = table.groupby(DIMENSIONS, dropna=False)
    sums = groups[[name for name in MEASURES if name != "clusters"]].sum()
    sums["clusters"] = table[table["first_attempts"] == 1].groupby(DIMENSIONS, dropna=False)["plate"].nunique()
    return sums.reset_index().fillna({"clusters": 0})


if __name__ == "__main__":
    print(json.dumps(by_thickness(Path(sys.argv[1]))))  # noqa: T201
