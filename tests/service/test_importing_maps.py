"""Column maps: what a cell becomes, and each mistake in a map told with its place and its mend."""

from __future__ import annotations

import tomllib
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.acceptance import Judged, judge
from service.column_maps import ColumnMap, MapWrong, RowWrong, map_of, read_map
from service.column_values import UNITS, CellWrong, Change, Manner, instant_of, number_of
from service.schemas.events import DATA_SCHEMAS
from tests.service.sent import NOW_US, PEOPLE

CELLS = {"N": "1", "T": "2026-03-04 10:00", "A": "", "B": "", "C": ""}


def told(event: str, *, table: str = "", kind: str = "attempt.finished", envelope: str = "") -> dict[str, Any]:
    if "outcome" not in event and kind == "attempt.finished":
        event += '\noutcome = { constant = "severed" }'
    text = f"""
[table]
source = "/i"
zone = "Europe/Berlin"
{table}
[[event]]
type = "{kind}"
id = "N"
subject = "N"
time = "T"
{envelope}
[event.data]
{event}
"""
    return tomllib.loads(text, parse_float=Decimal)


def mapped(event: str, **how: str) -> ColumnMap:
    return map_of(told(event, **how))


def data(event: str, a: str = "", b: str = "", *, table: str = "", kind: str = "attempt.finished") -> dict[str, Any]:
    """Data of the event that a row with these cells makes, which must be fit for the ledger."""
    ((_, made),) = mapped(event, table=table, kind=kind).events_of(CELLS | {"A": a, "B": b})
    judged = judge(made, now_us=NOW_US, people=PEOPLE, pointer="")
    assert isinstance(judged, Judged), judged
    return {name: value for name, value in made["data"].items() if name != "outcome"}


# --- cells ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("event", "cell", "value"),
    [
        ('seconds = { column = "A", unit = "min" }', "12.5", 750),
        ('seconds = { column = "A", unit = "h" }', "0.001", Decimal("3.6")),
        ('seconds = { column = "A", unit = "min:s" }', "7:05", 425),
        ('seconds = { column = "A", unit = "h:min" }', "1:30", 5400),
        ('seconds = { column = "A", unit = "h:min:s" }', "0:00:59", 59),
        ('seconds = { column = "A", unit = "ms" }', "1", Decimal("0.001")),
        ('seconds = { column = "A", times = 0.5 }', "3", Decimal("1.5")),
        ('thickness_mm = { column = "A", unit = "in" }', "0.75", Decimal("19.05")),
        ('thickness_mm = { column = "A", unit = "cm" }', "2.5", 25),
        ('thickness_mm = "A"', "20.0", 20),
        ('thickness_in = "A"', "1 1/4", "1 1/4"),
        ('thickness_in = "A"', "0.5", Decimal("0.5")),
        ('blank_lost = "A"', "Yes", True),
        ('blank_lost = { column = "A", words = { ja = true, nein = false } }', "NEIN", False),
        ('started_at = { column = "A", time = "%d.%m.%y %H:%M" }', "04.03.26 09:58", "2026-03-04T09:58:00+01:00"),
        ('job = "A"', "0042", "0042"),
        ('job = "J-{A}/{N}"', "7", "J-7/1"),
        ('gas = { column = "A", words = { O2 = "oxygen" }, otherwise = "mixture" }', "Ar5", "mixture"),
        ('gas = { column = "A", words = { O2 = "oxygen", none = "" } }', "None", None),
        ('gas = { constant = "air" }', "", "air"),
        ('good = "A"', "-", None),
    ],
)
def test_a_cell_becomes_the_value_that_its_field_takes(event: str, cell: str, value: object) -> None:
    found = data(event, cell, table='empty = ["-"]')
    assert found.get(event.split(" ")[0]) == value


def test_objects_and_lists_are_put_together_from_cells() -> None:
    event = """
recipe.name = "A"
recipe.power_w = { column = "B", unit = "kW" }
recipe.revision = { constant = "C" }
"""
    assert data(event, "S355 20", "12.5") == {"recipe": {"name": "S355 20", "power_w": 12500, "revision": "C"}}
    event = """
defects.term = { column = "A", split = "+", words = { slag = "slag_lower_edge", lost = "lost_cut" } }
defects.location = { constant = "lower_edge" }
defects.parts = { column = "B", split = "+" }
"""
    slag, lost = ({"term": term, "location": "lower_edge"} for term in ("slag_lower_edge", "lost_cut"))
    assert data(event, "slag + lost", "2+1") == {"defects": [slag | {"parts": 2}, lost | {"parts": 1}]}
    assert data(event, "lost", "") == {"defects": [lost]}
    assert data(event) == {}
    with pytest.raises(RowWrong, match="defects has 2 of term, 1 of location, 3 of parts"):
        data(event, "slag+lost", "1+1+1")
    inspected = 'scrap = { constant = 0 }\nrz5_um = { column = "A", split = "/" }'
    assert data(inspected, "48/52,5", table='decimal = ","', kind="attempt.inspected")["rz5_um"] == [
        48,
        Decimal("52.5"),
    ]


def test_a_day_is_taken_with_or_without_a_time() -> None:
    event = 'part_number = "N"\nquantity = "N"\nmaterial = "N"\nthickness_mm = "N"\ndue = "A"'
    assert data(event, "2026-04-01", kind="job.opened")["due"] == "2026-04-01"
    assert data(event, "2026-04-01 12:00", kind="job.opened")["due"] == "2026-04-01"
    constant = event.replace('"A"', "{ constant = 2026-04-01 }")
    assert data(constant, kind="job.opened")["due"] == "2026-04-01"


@pytest.mark.parametrize(
    ("event", "cell", "reason"),
    [
        ('good = "A"', "4 pcs", 'good (column A) must be a bare number such as 12.5; found "4 pcs"'),
        ('good = "A"', "4,0", 'found "4,0"; say how the table writes decimals: decimal = ","'),
        ('good = "A"', "9" * 40, "must be a bare number"),
        ('good = "A"', "\u0664", "must be a bare number"),
        ('blank_lost = "A"', "ja", 'must be yes or no, true or false, 1 or 0; found "ja"'),
        ('gas = { column = "A", words = { O2 = "oxygen" } }', "O3", "is no word of the map (o2); found"),
        ('seconds = { column = "A", unit = "min:s" }', "7:65", 'must be a time written min:s; found "7:65"'),
        ('started_at = "A"', "2026-03-29 02:30", "is in an hour that the clocks of Europe/Berlin leave out"),
        ('started_at = "A"', "2026-03-04", "says a day and no time of day"),
        ('started_at = { column = "A", time = ["%d.%m.%Y", "%H"] }', "x", "must be a time written %d.%m.%Y or %H"),
    ],
)
def test_a_cell_that_is_not_what_its_field_takes_is_told_with_its_column(event: str, cell: str, reason: str) -> None:
    with pytest.raises(RowWrong) as caught:
        data(event, cell)
    assert reason in str(caught.value)


def test_thousands_are_taken_out_only_where_they_stand_right() -> None:
    manner = Manner(decimal=",", thousands=".")
    assert number_of("1.234.567,5", "seconds", manner, Change()) == Decimal("1234567.5")
    for wrong in ("12.34", "1.2345", "1.234.5"):
        with pytest.raises(CellWrong):
            number_of(wrong, "seconds", manner, Change())


@given(st.datetimes(datetime(2001, 1, 1), datetime(2090, 1, 1)), st.sampled_from(["Europe/Berlin", "America/New_York"]))  # noqa: DTZ001
def test_a_local_time_is_the_instant_of_its_zone_the_first_one_where_it_comes_twice(at: datetime, zone: str) -> None:
    manner = Manner(zone=zone)
    try:
        found = datetime.fromisoformat(instant_of(at.isoformat(), manner))
    except CellWrong:
        around = [(at.replace(tzinfo=ZoneInfo(zone)) + timedelta(hours=hours)).utcoffset() for hours in (-3, 3)]
        assert around[0] != around[1]
        return
    assert found.astimezone(ZoneInfo(zone)).replace(tzinfo=None) == at
    earlier = (found.astimezone(UTC) - timedelta(hours=1)).astimezone(ZoneInfo(zone)).replace(tzinfo=None)
    assert earlier != at


def test_every_unit_of_a_field_has_a_factor_and_the_field_s_own_is_one() -> None:
    for own, units in UNITS.items():
        assert units[own] == 1


# --- maps -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wrong", "reason"),
    [
        (told('good = "A"', table='decimals = ","'), '[table]: "decimals" is not known; nearest: decimal'),
        (told('good = "A"', table='decimal = ";"'), 'decimal must be "." or ","'),
        (told('good = "A"', table='encoding = "utf-9"'), 'encoding "utf-9" is not known'),
        (told('good = "A"', table='delimiter = ";;"'), "delimiter must be one character"),
        (told('good = "A"', table='empty = "-"'), "empty must be a list"),
        (told('good = "A"', table='time = "%Q"'), 'time "%Q" is no way to write times'),
        (told('good = "A"', table="time = 7"), "time must be how times are written"),
        (told("good = 7"), "(attempt.finished), good: must be a table with column, constant"),
        (told('goods = "A"'), '"goods" is no field of this event; nearest: good'),
        (told('recipe = "A"'), "recipe: has fields of its own; give them as recipe.FIELD = ..."),
        (told('recipe.powers = "A"'), '"powers" is no field of this event'),
        (told('good = { colum = "A" }'), '"colum" is not known; nearest: column'),
        (told('good = { column = "A", constant = 1 }'), "must name a column, or give a constant, and not both"),
        (told('good = { constant = 1, unit = "s" }'), "has a constant, with which nothing else goes"),
        (told('seconds = { column = "A", unit = "parsec" }'), "unit must be one of ms, s, min, h, h:min,"),
        (told('good = { column = "A", unit = "kg" }'), "unit does not go with a field without a unit"),
        (told('good = { column = "A", times = "2" }'), "times must be a number"),
        (told('good = { column = "A", split = "," }'), "split goes with lists only"),
        (told('gas = { column = "A", words = "O2" }'), "words must be a table from words to values"),
        (told("", kind="attempt.finnished"), "nearest: attempt.finished"),
        (told("", kind="site.set"), "type must be one of"),
        (told("", envelope='when = { column = "A", is = 3 }'), "is must be a text or a list of texts"),
        (told("", envelope='when = { is = "x" }'), "when: must name a column"),
        (told("", envelope='source = "/keys/x"'), "must not lie below /keys/"),
        ({"event": []}, "must have at least one [[event]]"),
        ({"events": [], "table": {}}, '"events" is not known; nearest: event'),
        ({"event": [{"type": "job.closed"}]}, "has no source"),
        ({"event": [{"type": "job.closed", "source": "/i", "id": "N"}]}, "has no subject"),
        ({"event": [told("")["event"][0] | {"source": "/i"}] * 2}, "has the id of [[event]] 1, and ids are given once"),
        ({"table": {"zone": "Europe/Berlim"}, "event": [{}]}, "nearest: Europe/Berlin"),
    ],
)  # fmt: skip
def test_a_mistake_in_a_map_is_told_with_its_place(wrong: dict[str, Any], reason: str) -> None:
    with pytest.raises(MapWrong) as caught:
        map_of(wrong)
    assert reason in str(caught.value)


def test_a_map_that_is_no_toml_says_where(tmp_path: Path) -> None:
    file = tmp_path / "map.toml"
    file.write_text("[table\n")
    with pytest.raises(MapWrong, match="is no TOML: .*line 1"):
        read_map(file)
    file.write_bytes(b"\xff")
    with pytest.raises(MapWrong, match="is not in UTF-8"):
        read_map(file)


def test_a_time_without_an_offset_needs_a_zone() -> None:
    with pytest.raises(CellWrong, match="say the zone of its clock in the map"):
        instant_of("2026-03-04 10:00", Manner())
    assert instant_of("2026-03-04 10:00+02:00", Manner()) == "2026-03-04T10:00:00+02:00"


def test_every_field_of_every_event_can_be_mapped() -> None:
    for kind, schema in DATA_SCHEMAS.items():
        if kind.split(".")[1] in ("site", "finding", "proof"):
            continue
        fields = {}
        for name, each in schema.fields.items():
            inner = getattr(each, "inner", each)
            nested = getattr(inner, "schema", None)
            fields[name] = dict.fromkeys(nested.fields, "A") if nested is not None else "A"
        made = map_of(
            {"event": [{"type": kind, "source": "/i", "id": "N", "subject": "N", "time": "T", "data": fields}]}
        )
        assert set(made.events[0].columns()) == {"N", "T", "A"}


def test_a_day_of_a_constant_is_written_as_the_door_takes_it() -> None:
    made = mapped("job = { constant = 2026-04-01 }")
    assert made.events_of(CELLS)[0][1]["data"]["job"] == date(2026, 4, 1).isoformat()
