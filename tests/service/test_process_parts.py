"""Parts that speak of the process: what reports on what may be promised count, and what they leave out."""

from __future__ import annotations

from datetime import date
from random import Random
from typing import Any

import pytest

from tests.builders import event
from tests.service.conftest import Door, cut, opened, received
from worker.measures import FIRST_PASS
from worker.reports.process_parts import ProcessParts, process_parts
from worker.reports.questions import Question
from worker.reports.reading import open_site
from worker.stats.clustering import Clustered

BY = ("thickness", "machine")
HANDLING = [{"term": "handling", "certainty": "confirmed"}]


def parts_of(door: Door, *, names: tuple[str, ...] = BY, **filters: Any) -> ProcessParts:
    question = Question(date(2026, 3, 1), date(2026, 3, 31), (), filters, {}, 0.95)
    with door.database.read() as connection:
        return process_parts(open_site(connection, door.site), question, names)


def counts(found: ProcessParts) -> dict[Any, Clustered]:
    return {group: FIRST_PASS.counts(sums) for group, sums in found.groups.items()}


def on_plate(attempt: str, plate: str, *, good: int, bad: int, **data: Any) -> dict[str, Any]:
    return cut(attempt, plate=plate, machine="Laser 1", quantity=good + bad, good=good, scrap=bad, **data)


def test_parts_lost_to_a_confirmed_cause_that_is_no_cut_are_as_if_never_started(door: Door) -> None:
    door.told(
        received("P"), received("Q"),
        on_plate("A", "P", good=3, bad=2, causes=HANDLING), on_plate("B", "P", good=4, bad=1),
        on_plate("C", "Q", good=0, bad=2, causes=HANDLING), on_plate("D", "Q", good=5, bad=0),
    )  # fmt: skip
    found = parts_of(door)
    assert counts(found) == {(20_000_000, "laser 1"): Clustered.of([(7, 8), (5, 5)])}
    assert found.lost_otherwise == 4
    assert any("4 parts are left out" in note for note in found.notes)


def test_a_plate_of_which_nothing_is_left_is_no_cluster(door: Door) -> None:
    door.told(received("P"), on_plate("A", "P", good=0, bad=2, causes=HANDLING), on_plate("B", "Q", good=4, bad=4))
    assert counts(parts_of(door)) == {(20_000_000, "laser 1"): Clustered.of([(4, 8)])}


@pytest.mark.parametrize(
    "causes",
    [
        [{"term": "handling", "certainty": "suspected"}],
        [{"term": "wrong_settings", "certainty": "confirmed"}],
        [*HANDLING, {"term": "focus_shift", "certainty": "confirmed"}],
    ],
    ids=["only suspected", "of the process", "one of two"],
)
def test_any_other_cause_counts_against_the_process(door: Door, causes: list[dict[str, str]]) -> None:
    door.told(received("P"), on_plate("A", "P", good=3, bad=2, causes=causes))
    found = parts_of(door)
    assert counts(found) == {(20_000_000, "laser 1"): Clustered.of([(3, 5)])}
    assert found.lost_otherwise == 0


def test_a_retry_lost_in_handling_takes_nothing_from_the_first_attempts(door: Door) -> None:
    door.told(
        opened(), received("P"), on_plate("A", "P", good=0, bad=1, job="J", piece="1"),
        on_plate("B", "P", good=0, bad=1, job="J", piece="1", causes=HANDLING, time="2026-03-04T11:00:00Z"),
    )  # fmt: skip
    assert counts(parts_of(door)) == {(20_000_000, "laser 1"): Clustered.of([(0, 1)])}


def test_bevelled_cuts_are_left_out_and_told_unless_they_are_asked_for(door: Door) -> None:
    door.told(
        opened("J"), opened("K", bevel_deg=30), received("P"),
        on_plate("A", "P", good=3, bad=2, job="J"), on_plate("B", "P", good=1, bad=4, job="K"),
    )  # fmt: skip
    found = parts_of(door)
    assert counts(found) == {(20_000_000, "laser 1"): Clustered.of([(3, 5)])}
    assert found.bevelled == 1
    assert any("1 cut with a bevel is left out" in note for note in found.notes)
    assert counts(parts_of(door, bevel=(30_000,))) == {(20_000_000, "laser 1"): Clustered.of([(1, 5)])}


def test_days_that_are_not_judged_are_left_out_and_purposes_are_told(door: Door) -> None:
    door.told(
        received("P"), on_plate("A", "P", good=3, bad=2), on_plate("B", "Q", good=5, bad=0, purpose="trial"),
        cut("C", plate="R", machine="Laser 1", quantity=5, good=1, time="2026-03-10T10:00:00Z"),
    )  # fmt: skip
    found = parts_of(door)
    assert counts(found) == {(20_000_000, "laser 1"): Clustered.of([(3, 5), (5, 5)])}
    assert found.purposes == {"production": 5, "trial": 5}
    assert any("2026-03-10" in note for note in found.notes)
    assert any("5 of production, 5 of trial" in note for note in found.notes)


@pytest.mark.parametrize("seed", range(3))
def test_sums_equal_those_of_a_shop_in_which_these_parts_were_never_started(door: Door, seed: int) -> None:
    """Many attempts on few plates, by several dimensions, one of which only attempts carry."""
    draw = Random(seed)
    told = [received(f"P{number}", heat_number=f"H{number % 2}") for number in range(6)]
    plates: dict[tuple[str, str, str], list[tuple[int, int]]] = {}
    for number in range(40):
        plate, machine = f"P{draw.randrange(6)}", f"laser {draw.randrange(2)}"
        good, bad, is_lost = draw.randrange(4), draw.randrange(3), draw.random() < 0.3
        told.append(
            cut(
                f"A{number:02}", plate=plate, machine=machine, quantity=max(1, good + bad), good=good,
                scrap=max(bad, int(good + bad == 0)), **({"causes": HANDLING} if is_lost else {}),
            )
        )  # fmt: skip
        n = good if is_lost else max(1, good + bad)
        plates.setdefault((f"H{int(plate[1:]) % 2}", machine, plate), []).append((good, n))
    door.told(*told)
    expected: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for (heat, machine, _), cuts in plates.items():
        expected.setdefault((heat, machine), []).append((sum(x for x, _ in cuts), sum(n for _, n in cuts)))
    found = counts(parts_of(door, names=("heat_number", "machine")))
    assert found.keys() == expected.keys()
    for group, clusters in expected.items():
        wanted = Clustered.of(clusters)
        assert (found[group].x, found[group].n, found[group].clusters, found[group].n2) == (
            wanted.x, wanted.n, wanted.clusters, wanted.n2,
        )  # fmt: skip
        assert found[group].x2_over_n == pytest.approx(wanted.x2_over_n, abs=1e-4)


def test_only_the_parts_of_the_verdict_that_names_the_cause_are_left_out(door: Door) -> None:
    door.told(
        received("P"),
        cut("A", plate="P", machine="Laser 1", quantity=10),
        event("attempt.inspected", "A", scrap=1, causes=HANDLING, time="2026-03-04T11:00:00Z"),
        event("attempt.inspected", "A", good=6, rework=3, time="2026-03-04T12:00:00Z"),
    )  # fmt: skip
    assert counts(parts_of(door)) == {(20_000_000, "laser 1"): Clustered.of([(6, 9)])}


def test_what_happens_to_a_part_in_rework_excuses_no_cut(door: Door) -> None:
    door.told(
        received("P"),
        on_plate("A", "P", good=4, bad=1),
        cut("B", plate="P", machine="Laser 1", quantity=5, good=4, rework=1),
        event("attempt.inspected", "B", scrap=1, stage="after_rework", causes=HANDLING, time="2026-03-05T11:00:00Z"),
    )
    assert counts(parts_of(door)) == {(20_000_000, "laser 1"): Clustered.of([(8, 10)])}


def test_a_run_given_up_on_a_wrong_plate_is_left_out_whole(door: Door) -> None:
    wrong = [{"term": "wrong_plate", "certainty": "confirmed"}]
    door.told(
        received("P"),
        cut("A", plate="P", machine="Laser 1", quantity=5, tried=5, outcome="aborted", good=2, causes=wrong),
        on_plate("B", "P", good=4, bad=4),
    )  # fmt: skip
    assert counts(parts_of(door)) == {(20_000_000, "laser 1"): Clustered.of([(6, 10)])}
