"""What findings and warnings say are sentences still when they are read back: pages say them in any language."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from sqlalchemy import delete, insert, update

from tests.builders import event
from tests.service import test_findings_looked_for as looked_for
from tests.service import test_findings_of_series as of_series
from tests.service.conftest import Door, cut, opened, received, void
from worker import audits, findings
from worker.findings import Shown, look
from worker.noticing.finding import PROOF, STANDING
from worker.reports.reading import open_site
from worker.sentences import Figure, Sentence, form_of
from worker.state import attempts
from worker.tables import LIVE, finding_changes, kept_findings, set_asides

Story = Callable[[Door], Any]


def shown(door: Door, **asked: Any) -> list[Shown]:
    """Findings as pages get them."""
    with door.database.read() as connection:
        page, _ = findings.findings(
            open_site(connection, door.site), now_us=door.clock.now_us, **{"state": "all", "limit": 500} | asked
        )
    return page


def warned(door: Door) -> Iterator[Any]:
    """Details of the warnings of attempts, as pages get them."""
    with door.database.read() as connection:
        for one in attempts(connection, door.site, filters={}, limit=500).items:
            yield from (warning["detail"] for warning in one["warnings"])


def all_of(door: Door, name: str) -> dict[str, Any]:
    """A finding whole: itself and what became of it."""
    with door.database.read() as connection:
        one, changes, _ = findings.finding(open_site(connection, door.site), name, now_us=door.clock.now_us)
    return {"finding": one.finding, "updated_at": one.updated_at, "changes": changes}


def whole_of(sentence: str) -> bool:
    """True when a text is a sentence that is written in full by its form and values, however deep."""
    if not isinstance(sentence, Sentence):
        return False
    form = sentence.many if sentence.many is not None and sentence.how_many != 1 else sentence.form
    assert sentence == (form % sentence.values if sentence.values else form)
    return all(whole_of(each) for each in sentence.values.values() if isinstance(each, Sentence))


# --- each kind --------------------------------------------------------------------------------------------------


def contradicted(door: Door) -> None:
    mistaken = cut("V")
    cuts = [
        cut("A", job="J", plate="P", quantity=1),
        cut("D", good=2),
        cut("R", job="K", piece="1", good=1, time="2026-03-04T09:00:00Z"),
        cut("S", job="K", piece="1", good=1, time="2026-03-04T12:00:00Z"),
        cut("B", retry_of="C"),
        cut("C", retry_of="B"),
        cut("M", machine="Laser 1", run="r1", seconds=600, time="2026-03-04T10:10:00Z"),
        cut("N", machine="Laser 1", run="r2", seconds=600, time="2026-03-04T10:15:00Z"),
    ]
    # A void that is there first may name another subject than its event has.
    door.told(void(mistaken, subject="W"))
    door.told(
        opened(thickness_mm=25, material="S235"), received(measured_thickness_mm=33), *cuts,
        event("attempt.inspected", "A", id="more", good=2),
        event("attempt.inspected", "D", id="later", time="2026-03-05T10:00:00Z", stage="downstream", scrap=3),
        received("P1", parent="P2"), received("P2", parent="P1"),
        mistaken,
    )  # fmt: skip


def set_aside(door: Door) -> None:
    (item,) = door.told(cut("A"))
    with door.database.write() as connection:
        row = {"site": door.site, "position": item["position"], "reason": "KeyError('x')", "set_aside_us": 1}
        connection.execute(insert(set_asides), row)


def not_equal(door: Door) -> None:
    door.told(cut("A"))
    with door.database.write() as connection:
        connection.execute(delete(LIVE.attempts).where(LIVE.attempts.c.site == door.site))
    with door.database.write() as connection:
        number = audits.begin(connection, door.site, now_us=door.clock.now_us)
    audits.run(door.database, door.site, number, clock=lambda: door.clock.now_us)


def left_open(door: Door) -> None:
    door.told(event("attempt.started", "A", time="2026-03-04T10:00:00Z"))


def new_names(door: Door) -> None:
    door.told(cut("A", machine="Laser 1", recipe={"name": "Thick", "revision": "A"}))


def drifted(door: Door) -> None:
    door.told(*looked_for.days_of([*looked_for.ORDINARY, *looked_for.WORN]))
    door.told(
        *looked_for.days_of(looked_for.ORDINARY, machine="Laser 2"),
        *looked_for.days_of((2, 1, 2, 1, 3, 2, 1), since=24, good=0, machine="Laser 2"),
        event("machine.serviced", "Laser 1", time=looked_for.at(26, 18), what="nozzle"),
    )
    looked_for.looked(door, 30)


def bad_steel(door: Door) -> None:
    both = ("Laser 1", "Laser 2")
    bad = [one for machine in both for one in looked_for.plates("X9", 2, count=3, since=3, machine=machine)]
    door.told(*looked_for.other_heats(), *looked_for.other_heats("Laser 2"), *bad)
    looked_for.looked(door, 20)


def poor_surface(door: Door) -> None:
    for heat, good, how in (("H", 9, {"rust_grade": "A"}), ("R", 6, {"rust_grade": "D"})):
        for number in range(5):
            door.told(*looked_for.plates(f"{heat}{number}", good, count=4, since=number, **how))
    looked_for.looked(door, 20)


def odd_entries(door: Door) -> None:
    recipe = {"name": "O2", "feed_mm_min": 9_000, "gas_pressure_bar": 16, "standoff_mm": 9, "pierce_seconds": 90}
    job = {"cut_length_mm": 9, "pierces_per_part": 0, "min_hole_mm": 3, "min_web_mm": 9, "min_corner_radius_mm": 0}
    size = {"feature": "outside", "nominal_mm": 300, "measured_mm": 250}
    door.told(
        opened(time="2026-03-01T10:00:00Z", **job),
        received(time="2026-03-01T10:00:00Z", temperature_c=-3),
        *(
            cut(name, job="J", plate="P", recipe=recipe, gas="oxygen", seconds=4000, rework=1, time=of_series.at(0))
            for name in ("A", "B")
        ),
        event("attempt.inspected", "A", id="size", time=of_series.at(0, 11), stage="downstream", good=1, sizes=[size]),
        *(
            event("attempt.reworked", "A", id=f"w{number}", time=of_series.at(1), operation="grinding", minutes=40,
                  parts=1)
            for number in range(4)
        ),
    )  # fmt: skip
    of_series.implausible(door)


def odd_together(door: Door) -> None:
    door.told(*of_series.usual(), *(of_series.single(number) for number in range(3)))
    door.told(*of_series.plate_and_parts(32), *of_series.entered("/terminals/a", 6, 1, 2, 4))
    of_series.implausible(door)


STORIES: dict[Story, set[str]] = {
    contradicted: {
        "thickness_disagrees", "material_disagrees", "more_inspected_than_cut", "more_downstream_than_good",
        "cut_again_after_good", "retry_circle", "runs_overlap", "void_subject_differs", "parent_ring",
        "measured_thickness",
    },
    set_aside: {"set_aside"},
    not_equal: {"audit_not_equal"},
    left_open: {"left_open"},
    new_names: {"new_name"},
    drifted: {"pierces_rose", "failures_rose"},
    bad_steel: {"lot_worse"},
    poor_surface: {"condition_costs"},
    odd_entries: {
        "feed_times_thickness", "gas_pressure", "standoff", "pierce_time", "machine_time", "plate_temperature",
        "hole_ratio", "web_ratio", "sharp_corner", "size_beyond_kerf", "rework_minutes", "rework_times",
    },
    odd_together: {"failed_pierces", "plate_mass", "times_at_shift_end"},
}  # fmt: skip


@pytest.mark.parametrize("story", STORIES, ids=lambda story: story.__name__)
def test_whatever_is_found_is_said_in_a_sentence(door: Door, story: Story) -> None:
    story(door)
    found = shown(door)
    assert {one.finding.code for one in found} >= STORIES[story]
    for one in found:
        # What is told of proofs and of what is promised has tests of its own.
        if one.finding.kind not in (PROOF, STANDING):
            assert whole_of(one.finding.detail), one.finding
    assert all(whole_of(detail) for detail in warned(door))


def test_the_warnings_of_an_attempt_are_sentences(door: Door) -> None:
    odd_entries(door)
    said = list(warned(door))
    assert len(said) >= len(STORIES[odd_entries])
    assert all(whole_of(each) for each in said)


# --- kept -------------------------------------------------------------------------------------------------------


def the_drift(door: Door) -> dict[str, Any]:
    (one,) = shown(door, kind="drift")
    return all_of(door, one.finding.id)


def rose(door: Door, day: int = 26) -> None:
    door.told(*looked_for.days_of([*looked_for.ORDINARY, *looked_for.WORN]))
    looked_for.looked(door, day)


def test_a_kept_finding_is_read_back_with_its_form_and_figures(door: Door) -> None:
    rose(door)
    whole = the_drift(door)
    (change,) = whole["changes"]
    for detail, figures in ((whole["finding"].detail, whole["finding"].figures), (change["detail"], change["figures"])):
        assert whole_of(detail)
        assert "%(failed)s of %(of)s pierces" in detail.form
        assert (detail.values["failed"], detail.values["share"]) == ("30", "16.7%")
        assert isinstance(detail.values["failed"], Figure)
        assert (figures["failed"], figures["of"]) == (30, 180)
        assert whole_of(figures["rule"])
    looked_for.evening(door, 51)
    door.told(*looked_for.days_of(looked_for.ORDINARY, since=28))
    looked_for.looked(door, 51)
    assert [one["change"] for one in the_drift(door)["changes"]] == ["opened", "closed"]
    assert all(whole_of(one["detail"]) for one in the_drift(door)["changes"])


def test_what_an_older_release_kept_is_plain_text_until_a_look_brings_it_up_to_date_which_is_no_news(
    door: Door,
) -> None:
    rose(door)
    kept = the_drift(door)
    for table in (kept_findings, finding_changes):
        with door.database.write() as connection:
            connection.execute(update(table).where(table.c.site == door.site).values(forms=None))
    old = the_drift(door)
    assert old == kept
    assert [type(each) for each in (old["finding"].detail, old["changes"][0]["detail"])] == [str, str]
    assert old["finding"].figures == kept["finding"].figures
    door.clock.now_us += 60_000_000
    look(door.database, door.site, now_us=door.clock.now_us)
    new = the_drift(door)
    assert new == kept
    assert form_of(new["finding"].detail) == form_of(kept["finding"].detail)
    assert whole_of(new["finding"].figures["rule"])
    # What was told then stands as it was told.
    assert type(new["changes"][0]["detail"]) is str


def test_a_look_that_finds_the_same_writes_nothing_of_it(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    odd_together(door)
    rose(door)
    looked_for.evening(door, 37)
    look(door.database, door.site, now_us=door.clock.now_us)
    written: list[Any] = []
    monkeypatch.setattr("worker.findings.write", lambda *given, **_: written.append(given))
    look(door.database, door.site, now_us=door.clock.now_us)
    assert written == []


def test_a_text_without_a_form_stays_text(door: Door) -> None:
    door.told(opened(thickness_mm=25), received(), cut(job="J", plate="P"))
    with door.database.write() as connection:
        connection.execute(update(LIVE.findings).where(LIVE.findings.c.site == door.site).values(forms=None))
    (one,) = shown(door, kind="contradiction")
    assert (type(one.finding.detail), one.finding.detail) == (
        str, "the job asks for 25 mm, its plate is 20 mm thick",
    )  # fmt: skip


def test_other_systems_are_told_the_english_text(door: Door) -> None:
    rose(door)
    (found,) = door.findings(kind="drift")
    assert (found["detail"], found["figures"]["rule"]) == (
        str(the_drift(door)["finding"].detail), str(the_drift(door)["finding"].figures["rule"]),
    )  # fmt: skip
