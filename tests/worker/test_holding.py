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
    Change,
    Daily,
    Rule,
    changes,
    courses,
    plates_within,
)
from worker.stats.against_target import Counts
from worker.stats.clustering import Clustered, effective
from worker.stats.demonstration import one_sided

#: Days of the window and days that are judged.
WINDOW, FIRST, LAST = 30, 100, 160
RULE = Rule(target=0.8, confidence=0.9, pooled=None, window=WINDOW, first=FIRST, last=LAST)


def cell(by_day: dict[int, tuple[int, int, int]], superseded: tuple[tuple[int, int], ...] = ()) -> Daily:
    """By day (good, judged parts, plates), the parts of a day spread evenly."""
    days = sorted(by_day)
    told = [(x, n, plates, n * n / plates) for x, n, plates in (by_day[day] for day in days)]
    arrays = (np.array([one[place] for one in told], float) for place in range(4))
    return Daily(np.array(days, np.int64), Counts(*arrays), superseded)


def course_of(daily: Daily) -> list[Change]:
    (course,) = courses([daily], RULE)
    return changes(course, RULE)


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


def test_one_plate_cut_on_several_days_is_no_proof() -> None:
    (course,) = courses([cell({110: (20, 20, 1), 111: (20, 20, 1), 120: (1, 1, 1)})], RULE)
    assert told(changes(course, RULE))[:2] == [(110, OPEN, BEGUN), (111, PROVEN, REACHED)]
    assert course.doubtful
    counted = plates_within(course, {"P1": [110, 111], "P2": [120]}, RULE)
    assert dict(zip(course.days.tolist(), counted.tolist(), strict=True)) == {
        100: 0, 110: 1, 111: 1, 120: 2, 140: 2, 141: 1, 150: 0
    }  # fmt: skip
    alone = replace(course, plates=counted)
    assert told(changes(alone, RULE))[:2] == [(110, OPEN, BEGUN), (120, PROVEN, REACHED)]


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
        bounds = one_sided(effective(counts, own=False), confidence=RULE.confidence)
        enough = counts.clusters >= LEAST_PLATES and not any(first <= day <= last for first, last in superseded)
        if enough and bounds.lower is not None and bounds.lower >= RULE.target:
            word, proof = PROVEN, day
        elif not (
            word == PROVEN and enough and proof is not None and day - proof < WINDOW
            and bounds.lower is not None and bounds.lower >= RULE.target - MARGIN
        ):  # fmt: skip
            below = bounds.upper is not None and bounds.upper < RULE.target
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
