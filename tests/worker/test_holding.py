"""How a proof holds, day after day: the rule beside a plain recount of every day."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from worker.reports.holding import (
    AGED,
    BEGUN,
    FELL_BACK,
    LEAST_PLATES,
    MARGIN,
    OPEN,
    PROVEN,
    REACHED,
    RULED_OUT,
    SUPERSEDED,
    Again,
    Change,
    Daily,
    Rule,
    changes,
    courses,
)
from worker.stats.against_target import Counts, bounds
from worker.stats.clustering import Clustered, Correlation

#: Days of the window and days that are judged.
WINDOW, FIRST, LAST = 30, 100, 160
#: Parts of one plate are no more alike than any, and that is known well.
ALIKE = Correlation(0.0, degrees=1000)
RULE = Rule(target=0.8, confidence=0.9, pooled=ALIKE, window=WINDOW, first=FIRST, last=LAST)


def cell(by_day: dict[int, tuple[int, int, int]], superseded: tuple[tuple[int, int], ...] = ()) -> Daily:
    """By day (good, judged parts, plates), the parts of a day spread evenly."""
    days = sorted(by_day)
    told = [(x, n, plates, n * n / plates) for x, n, plates in (by_day[day] for day in days)]
    arrays = (np.array([one[place] for one in told], float) for place in range(4))
    return Daily(np.array(days, np.int64), Counts(*arrays), superseded)


def course_of(daily: Daily, rule: Rule = RULE) -> list[Change]:
    (course,) = courses([daily], rule)
    return changes(course, rule)


def told(found: list[Change]) -> list[tuple[int, str | None, str]]:
    return [(change.day, change.after, change.why) for change in found]


# 11 good parts of 11 prove 80 % at 90 % (0.8^11 = 0.086).


def test_a_cell_is_open_until_its_bound_reaches_the_target() -> None:
    assert told(course_of(cell({110: (10, 10, 2), 120: (1, 1, 1)}))) == [
        (110, OPEN, BEGUN), (120, PROVEN, REACHED), (140, OPEN, AGED)
    ]  # fmt: skip


def test_what_stood_before_the_first_day_stands_on_it() -> None:
    assert told(course_of(cell({95: (20, 20, 4), 124: (20, 20, 4), 150: (20, 20, 4)}))) == [(FIRST, PROVEN, REACHED)]


def test_one_plate_is_no_proof() -> None:
    assert told(course_of(cell({140: (40, 40, 1)}))) == [(140, OPEN, BEGUN)]


def test_a_proof_falls_back_more_than_the_margin_under_the_target_and_not_before() -> None:
    # Lower bounds at 90 %: 22 of 23 0.841, 27 of 30 0.791, 27 of 31 0.759
    assert told(course_of(cell({140: (22, 23, 5), 142: (5, 7, 2)}))) == [(140, PROVEN, REACHED)]
    assert told(course_of(cell({140: (22, 23, 5), 142: (5, 7, 2), 144: (0, 1, 1)}))) == [
        (140, PROVEN, REACHED), (144, OPEN, FELL_BACK)
    ]  # fmt: skip
    # What never was proven is not proven there
    assert told(course_of(cell({140: (22, 25, 5), 142: (5, 5, 2)}))) == [(140, OPEN, BEGUN)]


def test_a_proof_that_fell_back_is_proven_again_at_the_target_alone() -> None:
    # 27 of 31 0.759, 32 of 36 0.790, 42 of 46 0.834
    found = course_of(cell({140: (22, 23, 5), 144: (5, 8, 2), 146: (5, 5, 2), 148: (10, 10, 2)}))
    assert told(found) == [(140, PROVEN, REACHED), (144, OPEN, FELL_BACK), (148, PROVEN, REACHED)]


def test_a_proof_lapses_a_window_after_it_was_last_at_the_target() -> None:
    # From day 106 on 27 of 30 (0.791) hold what 22 of 23 proved, always other parts: until 30 days after day 105
    wavering = {100: (22, 23, 5), 106: (5, 7, 2), 130: (22, 23, 5), 136: (5, 7, 2)}
    assert told(course_of(cell(wavering))) == [(100, PROVEN, REACHED), (135, OPEN, AGED)]
    assert told(course_of(cell(wavering | {134: (9, 9, 2)})))[:2] == [(100, PROVEN, REACHED), (160, OPEN, AGED)]


def test_what_is_surely_worse_is_ruled_out_and_open_again_when_it_is_old() -> None:
    # 12 of 20: at most 0.752 at 90 %
    assert told(course_of(cell({110: (3, 5, 1), 112: (9, 15, 3), 145: (1, 1, 1)}))) == [
        (110, OPEN, BEGUN), (112, RULED_OUT, "below"), (142, None, "gone"), (145, OPEN, BEGUN)
    ]  # fmt: skip


def test_a_newer_revision_makes_a_proof_lapse_while_the_window_holds_a_cut_of_it() -> None:
    parts = dict.fromkeys(range(90, 161, 5), (6, 6, 2))
    assert told(course_of(cell(parts, ((120, 145),)))) == [
        (100, PROVEN, REACHED), (120, OPEN, SUPERSEDED), (146, PROVEN, REACHED)
    ]  # fmt: skip
    # What is ruled out stays so: it was said of that revision
    bad = dict.fromkeys(range(90, 161, 5), (1, 6, 2))
    assert told(course_of(cell(bad, ((120, 200),)))) == [(100, RULED_OUT, "below")]


def of_plates(cuts: list[tuple[str, int, int]]) -> Daily:
    """A cell by (plate, day, good parts): its clusters by day, and those of plates cut on several days."""
    by_day: dict[int, list[int]] = {}
    for _, day, parts in cuts:
        by_day.setdefault(day, []).append(parts)
    days = sorted(by_day)
    told = [(sum(by_day[day]), len(by_day[day]), sum(n * n for n in by_day[day])) for day in days]
    counts = Counts(*(np.array([row[place] for row in told], float) for place in (0, 0, 1, 2)))
    names = [plate for plate, _, _ in cuts]
    again = [(names.index(plate), day, parts) for plate, day, parts in sorted(cuts) if names.count(plate) > 1]
    columns = [np.array([row[place] for row in again], kind) for place, kind in enumerate((np.int64, np.int64, float))]
    return Daily(np.array(days, np.int64), counts, again=Again(*columns) if again else None)


def test_one_plate_cut_on_many_days_is_one_plate() -> None:
    many = [("P", day, 2) for day in range(110, 150)]
    assert told(course_of(of_plates(many))) == [(110, OPEN, BEGUN)]
    assert told(course_of(of_plates([*many, ("Q", 125, 1)]))) == [
        (110, OPEN, BEGUN),
        (125, PROVEN, REACHED),
        (155, OPEN, AGED),
    ]
    # 11 plates of 2 parts prove as much as 11 parts when those of one plate stand or fall together, however spread
    together = replace(RULE, pooled=Correlation(1.0, degrees=1000))
    for days in ((110,), (110, 111)):
        for plates, word in ((10, OPEN), (11, PROVEN)):
            cuts = [(f"P{plate}", day, 2 // len(days)) for plate in range(plates) for day in days]
            assert course_of(of_plates(cuts), together)[0].after == word


def test_where_nothing_is_known_a_plate_tells_as_much_as_one_part() -> None:
    unknown = replace(RULE, pooled=None)
    parts = {110: (50, 50, 10), 112: (5, 5, 1)}
    assert told(course_of(cell(parts), unknown))[:2] == [(110, OPEN, BEGUN), (112, PROVEN, REACHED)]
    # A correlation that is known badly takes no proof away that rests on whole plates
    for alike in (-0.1, 0.3, 1.0):
        known = replace(RULE, pooled=Correlation(alike, degrees=2))
        assert course_of(cell(parts), known)[-2].after == PROVEN


cuts = st.lists(
    st.tuples(st.sampled_from("PQRST"), st.integers(1, 60), st.integers(1, 9)),
    min_size=1, max_size=30, unique_by=lambda cut: cut[:2],
)  # fmt: skip


@given(cuts, st.integers(1, 40), st.lists(st.integers(0, 70), min_size=1, max_size=9))
def test_windows_hold_each_plate_once(made: list[tuple[str, int, int]], long: int, until: list[int]) -> None:
    counts = of_plates(made).within(np.array(until, np.int64), long)
    for place, last in enumerate(until):
        plates: dict[str, int] = {}
        for plate, day, parts in made:
            if last - long < day <= last:
                plates[plate] = plates.get(plate, 0) + parts
        assert (counts.n[place], counts.clusters[place]) == (sum(plates.values()), len(plates))
        assert counts.n2[place] == sum(parts * parts for parts in plates.values())


# --- beside every day judged by itself --------------------------------------------------------------------------

Days = dict[int, tuple[int, int, int]]


def standing_each_day(by_day: Days, superseded: tuple[tuple[int, int], ...]) -> list[str | None]:
    """The words of the rule, day by day, with the bounds of that day."""
    word: str | None = None
    proof: int | None = None
    found: list[str | None] = []
    for day in range(FIRST, LAST + 1):
        held = [(x, n, plates) for cut, (x, n, plates) in by_day.items() if day - WINDOW < cut <= day]
        counts = Clustered(
            sum(x for x, _, _ in held), sum(n for _, n, _ in held), sum(plates for _, _, plates in held),
            sum(n * n / plates for _, n, plates in held), 0,
        )  # fmt: skip
        held_by = bounds(counts, pooled=ALIKE, confidence=RULE.confidence)
        enough = counts.clusters >= LEAST_PLATES and not any(first <= day <= last for first, last in superseded)
        if enough and held_by.lower is not None and held_by.lower >= RULE.target:
            word, proof = PROVEN, day
        elif not (
            word == PROVEN and enough and proof is not None and day - proof < WINDOW
            and held_by.lower is not None and held_by.lower >= RULE.target - MARGIN
        ):  # fmt: skip
            below = held_by.upper is not None and held_by.upper < RULE.target
            word = RULED_OUT if below else OPEN if counts.n or proof is not None else None
        found.append(word)
    return found


def spread(changed: list[Change]) -> list[str | None]:
    """The standing on each day."""
    by_day = {change.day: change.after for change in changed}
    word: str | None = None
    found: list[str | None] = []
    for day in range(FIRST, LAST + 1):
        word = by_day.get(day, word)
        found.append(word)
    return found


def a_day(n: int, bad: int, plates: int) -> tuple[int, int, int]:
    return (max(0, n - bad), n, min(n, plates))


days = st.dictionaries(
    st.integers(FIRST - WINDOW + 1, LAST),
    st.builds(a_day, st.integers(1, 12), st.sampled_from([0, 0, 0, 0, 1, 1, 2, 6]), st.integers(1, 3)),
    min_size=1,
    max_size=25,
)
spans = st.lists(st.tuples(st.integers(90, 160), st.integers(0, 40)), max_size=1).map(
    lambda some: tuple((first, first + long) for first, long in some)
)


@settings(max_examples=200, deadline=None)
@given(days, spans)
def test_it_is_the_rule_of_each_day(by_day: Days, superseded: tuple[tuple[int, int], ...]) -> None:
    changed = course_of(cell(by_day, superseded))
    assert spread(changed) == standing_each_day(by_day, superseded)
    assert all(before.day < after.day for before, after in pairwise(changed))
    assert [None, *(change.after for change in changed[:-1])] == [change.before for change in changed]
    assert all(change.before != change.after for change in changed)


def rank(word: str | None) -> int:
    return {RULED_OUT: 0, PROVEN: 2}.get(word or OPEN, 1)


@settings(max_examples=150, deadline=None)
@given(days, spans, st.integers(FIRST - WINDOW + 1, LAST), st.integers(1, 9))
def test_more_good_parts_never_make_it_stand_worse(
    by_day: Days, superseded: tuple[tuple[int, int], ...], day: int, more: int
) -> None:
    good, parts, plates = by_day.get(day, (0, 0, 0))
    better = by_day | {day: (good + more, parts + more, plates + 1)}
    before, after = (spread(course_of(cell(one, superseded))) for one in (by_day, better))
    assert all(rank(one) <= rank(other) for one, other in zip(before, after, strict=True))


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(days, spans), min_size=2, max_size=6))
def test_cells_do_not_disturb_each_other(cells: list[tuple[Days, tuple[tuple[int, int], ...]]]) -> None:
    together = courses([cell(*one) for one in cells], RULE)
    assert [changes(course, RULE) for course in together] == [course_of(cell(*one)) for one in cells]
    assert courses([], RULE) == []
