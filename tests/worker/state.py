"""The derived state of a site as plain values, to be compared with another site's or with the independent recount."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import orjson
from sqlalchemy import Connection, select

from tests.independent_recount import Recount
from worker.plates import surface_group
from worker.sums import attempt_sums
from worker.tables import LIVE, REWORK_SUMS, TALLY_SUMS

Row = dict[str, Any]


def rows_of(connection: Connection, name: str, site: str) -> list[Row]:
    table = getattr(LIVE, name)
    query = select(table).where(table.c.site == site).order_by(*table.primary_key.columns)
    return [{key: value for key, value in row.items() if key != "site"} for row in connection.execute(query).mappings()]


def state(connection: Connection, site: str) -> dict[str, list[Row]]:
    """All derived tables of a site; the interned combinations only as they are used."""
    kept = {name: rows_of(connection, name, site) for name in vars(LIVE) if name != "combinations"}
    dimensions = {row.pop("combination"): row for row in rows_of(connection, "combinations", site)}
    for name in ("tallies", "rework_tallies", "rework"):
        for row in kept[name]:
            row["dimensions"] = dimensions[row["combination"]]
    return kept


#: Column of the attempts table -> key of the independent recount, where they differ.
DIFFERENT_NAMES = {"started_us": "started_at", "bevel_mdeg": "bevel_deg"}
COMPARED = (
    "state", "source", "job", "plate", "machine", "run", "piece", "retry_of", "mode", "gas", "recipe", "operator",
    "material", "thickness_nm", "bevel_mdeg", "purpose", "surface", "thermal_history", "started_us", "day", "shift",
    "outcome", "stop_reason", "seconds_ms", "interruptions", "attempt_no", "quantity", "tried", "good", "rework",
    "scrap", "not_made", "pending", "recovered", "scrapped", "in_rework", "released", "hidden", "pierces",
    "failed_pierces", "rework_minutes_e3", "lost_us", "scrap_mass_mg", "cost_e6", "lost_pierce", "lost_sever",
    "lost_surface", "lost_size", "lost_unstated", "lost_otherwise", "cluster", "mill", "heat_number", "supplier",
    "part_number",
)  # fmt: skip


def attempt_as_judged(row: Row) -> Row:
    """An attempts row with the names, and the emptiness, of the independent recount."""
    seen = {DIFFERENT_NAMES.get(name, name): row[name] for name in COMPARED}
    seen["bevel_deg"] = None if row["bevel_mdeg"] is None else row["bevel_mdeg"] / 1000
    return seen


def against(connection: Connection, site: str, judge: Recount) -> None:
    """Assert that the derived state of a site is what the independent recount says."""
    stored = {row["attempt"]: row for row in rows_of(connection, "attempts", site)}
    assert stored.keys() == judge.attempts.keys()
    for attempt, row in stored.items():
        expected = judge.attempts[attempt]
        if expected["state"] == "unfinished":
            assert (row["state"], row["attempt_no"], row["tried"]) == ("unfinished", None, 0)
            continue
        seen = attempt_as_judged(row)
        wanted = {name: _plain(expected[name]) for name in seen}
        if expected["state"] == "open":
            seen = {name: seen[name] for name in seen if name != "quantity"}
            wanted = {name: wanted[name] for name in seen}
        differing = {n: (seen[n], wanted[n]) for n in seen if seen[n] != wanted[n]}
        assert not differing, (attempt, differing)
    _sums_agree(connection, site, judge)
    _rework_agrees(connection, site, judge)
    _lost_parts_agree(connection, site, judge)
    _readings_agree(connection, site, judge)
    _jobs_and_plates_agree(connection, site, judge)
    found = {(row["code"], row["subject_kind"], row["subject"]) for row in rows_of(connection, "findings", site)}
    assert found == judge.contradictions


def _plain(value: Any) -> Any:
    return float(value) if type(value).__name__ in ("Decimal", "Fraction") else value


def _sums_agree(connection: Connection, site: str, judge: Recount) -> None:
    dimensions = {row.pop("combination"): row for row in rows_of(connection, "combinations", site)}
    tallies = rows_of(connection, "tallies", site)
    names = [name for name in TALLY_SUMS if "cluster" not in name and not name.startswith("pierce_")]
    names.remove("bevelled_attempts")
    for by in ((), ("day",), ("day", "machine"), ("thickness_nm", "material", "purpose"), ("shift", "recipe", "gas")):
        expected = {group: {name: sums[name] for name in names} for group, sums in judge.sums(by).items()}
        seen: dict[tuple[Any, ...], Row] = {}
        for tally in tallies:
            where = {"day": tally["day"], **dimensions[tally["combination"]]}
            group = seen.setdefault(tuple(where[name] for name in by), dict.fromkeys(names, 0))
            for name in names:
                group[name] += tally[name]
        assert seen == expected, by
    # The tallies' sums over clusters are those of the attempts counted at once.
    a = LIVE.attempts.c
    query = attempt_sums(LIVE.attempts, by=(a.site,), where=(a.site == site,))
    at_once = connection.execute(query).mappings().one_or_none()
    for name in TALLY_SUMS:
        assert sum(tally[name] for tally in tallies) == (at_once[name] if at_once else 0), name


def _rework_agrees(connection: Connection, site: str, judge: Recount) -> None:
    expected = sorted(
        (row["day"], row["shift"], row["operation"], row["attempt"], row["minutes_e3"], row["parts"], row["planned"])
        for row in judge.rework
    )
    seen = sorted(
        (
            row["day"],
            row["shift"],
            row["operation"],
            row["attempt"],
            row["minutes_e3"],
            row["parts"],
            bool(row["planned"]),
        )
        for row in rows_of(connection, "rework", site)
    )
    assert seen == expected
    tallied = rows_of(connection, "rework_tallies", site)
    for name, planned in (("booked_rework_minutes_e3", False), ("finishing_minutes_e3", True)):
        booked = sum(row["minutes_e3"] for row in judge.rework if row["planned"] is planned)
        assert sum(row[name] for row in tallied) == booked
    assert all(set(REWORK_SUMS) <= row.keys() for row in tallied)


def _lost_parts_agree(connection: Connection, site: str, judge: Recount) -> None:
    kept = _beside_attempts(connection, "lost_parts", site)
    assert _in_order(kept, "attempt", "sort", "word", "certainty") == _in_order(
        judge.lost_parts, "attempt", "sort", "word", "certainty"
    )


def _readings_agree(connection: Connection, site: str, judge: Recount) -> None:
    key = ("source", "id", "sort", "place")
    assert _in_order(_beside_attempts(connection, "readings", site), *key) == _in_order(judge.readings, *key)


def _beside_attempts(connection: Connection, name: str, site: str) -> list[Row]:
    """Rows that stand beside attempts, each under the combination of its attempt, without that."""
    combinations = {row["attempt"]: row["combination"] for row in rows_of(connection, "attempts", site)}
    seen = rows_of(connection, name, site)
    assert all(row["combination"] == combinations[row["attempt"]] for row in seen)
    return [{name: value for name, value in row.items() if name != "combination"} for row in seen]


def _in_order(rows: Sequence[Row], *key: str) -> list[Row]:
    return sorted(rows, key=lambda row: tuple(row[name] for name in key))


def _jobs_and_plates_agree(connection: Connection, site: str, judge: Recount) -> None:
    jobs = {row["job"]: row for row in rows_of(connection, "jobs", site)}
    for job, expected in judge.jobs.items():
        if job in jobs:
            assert jobs[job]["thickness_nm"] == expected["thickness_nm"]
            assert jobs[job]["quantity"] == expected.get("quantity")
            assert orjson.loads(jobs[job]["stated"]).get("part_number") == expected.get("part_number")
        else:
            assert expected["state"] == "unknown"
    plates = {row["plate"]: row for row in rows_of(connection, "plates", site)}
    for plate, expected in judge.plates.items():
        if plate in plates:
            row = plates[plate]
            same: Sequence[str] = ("surface", "thermal_history", "mill", "heat_number", "supplier", "certificate")
            assert {name: row[name] for name in same} == {name: expected[name] for name in same}
            assert surface_group(row["surface"]) == expected["surface_group"]
