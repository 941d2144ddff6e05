"""Which groups of machine and shift are left out: few people, and what would tell them by subtraction."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from itertools import product
from typing import Any
from unittest.mock import Mock

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from worker.reports.dimensions import DIMENSIONS
from worker.reports.questions import Question
from worker.reports.withholding import Crowd, groups_of_few, people_among, without_few

Group = tuple[Any, ...]


def crowds(table: Mapping[Group, str]) -> dict[Group, Crowd]:
    """Groups by who is named in them: a letter a person, a dot for an attempt that names nobody."""
    return {group: Crowd({*people} - {"."}, len(people)) for group, people in table.items()}


def left_out(table: Mapping[Group, str], least: int = 3) -> set[Group]:
    return groups_of_few(crowds(table), least=least)


SQUARE = {("a", "early"): "klm", ("a", "late"): "klm", ("b", "early"): "klmn", ("b", "late"): "klmn"}


@pytest.mark.parametrize(
    ("few", "least", "expected"),
    [
        ("klm", 3, 0),
        # Each line must lack two groups, else the one is its sum less the others.
        ("kl", 3, 4),
        ("k", 3, 4),
        ("k", 1, 0),
        ("k", 2, 4),
        ("klm", 4, 4),
    ],
    ids=["enough", "two", "one", "switched-off", "at-least-two", "at-least-four"],
)
def test_a_group_of_fewer_people_is_left_out_with_what_would_tell_it(few: str, least: int, expected: int) -> None:
    assert len(left_out(SQUARE | {("a", "early"): few}, least)) == expected


def test_the_smallest_others_are_left_out_and_no_more_than_needed() -> None:
    table = dict.fromkeys(product("abc", ("early", "late", "night")), "klmnop")
    table |= {("a", "early"): "k", ("a", "late"): "klm", ("b", "early"): "klm", ("b", "late"): "klmn"}
    assert left_out(table) == {("a", "early"), ("a", "late"), ("b", "early"), ("b", "late")}


def test_groups_that_name_nobody_are_shown_and_hide_others_last() -> None:
    assert left_out({("a", "early"): "..", ("b", "late"): "."}) == set()
    table = dict.fromkeys(product("ab", ("early", "late", "night")), "klmnop") | {("a", "late"): "..."}
    table |= {("a", "early"): "k.", ("b", "late"): "..."}
    assert left_out(table) == {*product("ab", ("early", "night"))}


def test_a_group_that_is_all_of_its_shift_hides_nothing_and_is_not_hidden() -> None:
    assert left_out({("a", "early"): "k", ("a", "late"): "klm", ("a", "night"): "klm"}) == {("a", "early")}


def test_two_small_groups_of_one_person_do_not_hide_each_other() -> None:
    table = dict.fromkeys(product("ab", ("early", "late", "night")), "klm")
    table |= {("a", "early"): "k", ("a", "late"): "k"}
    assert left_out(table) == {*table}


def test_what_is_told_by_a_line_of_its_own_hides_nothing_of_another() -> None:
    table = dict.fromkeys(product("cd", ("late", "night")), "klmn")
    table |= {("a", "early"): "klm", ("a", "late"): "k", ("a", "night"): "klmnop", ("b", "early"): "klmnop"}
    # What b cut early is all that b cut: so by=machine tells it, and with by=shift what a cut early.
    assert left_out(table) == {*table} - {("b", "early")}


def test_what_is_lost_anyway_is_among_them() -> None:
    table = crowds(dict.fromkeys(product("ab", ("early", "late"), (20, 30, 40)), "klm"))
    lost = {("a", "early", 20)}
    assert groups_of_few(table, least=3, lost=lost) == {*product("ab", ("early", "late"), (20, 30))}


# --- what a reader with a pencil finds -----------------------------------------------------------------------------


def named(table: Mapping[Group, str], groups: Iterable[Group]) -> set[str]:
    return {person for group in groups for person in table[group]} - {"."}


def equations(table: Mapping[Group, str], least: int) -> set[frozenset[Group]]:
    """Each set of groups whose sum another question tells: over machines, shifts, or what else is of enough people."""
    found = set()
    for group, place in product(table, range(len(next(iter(table))))):
        line = frozenset(one for one in table if one[:place] + one[place + 1 :] == group[:place] + group[place + 1 :])
        if place < 2 or len(named(table, line)) >= least:
            found.add(line)
    return found


def solved(table: Mapping[Group, str], out: set[Group], least: int) -> Iterator[frozenset[Group]]:
    """Each set of groups whose sum follows from lines, the groups shown, and what follows already.

    Written apart from the code under test: equations of unknown groups, from which known ones are struck.
    """
    known = {group for group in table if group not in out}
    while True:
        left = {equation - known for equation in equations(table, least)}
        more = frozenset[Group]().union(*(equation for equation in left if len(equation) == 1))
        if not more:
            yield from filter(None, left)
            yield from (frozenset({group}) for group in known & out)
            return
        known |= more


PEOPLE = st.text("klmnop.", min_size=1, max_size=6)
TABLES = st.dictionaries(
    st.tuples(st.sampled_from("abcd"), st.sampled_from(("early", "late", "night"))), PEOPLE, min_size=1
)
DEEPER = st.dictionaries(
    st.tuples(st.sampled_from("abc"), st.sampled_from(("early", "late")), st.sampled_from((20, 30))), PEOPLE, min_size=1
)


def pencil_table(table: Mapping[Group, str], question: Question, names: Sequence[str]) -> dict[Group, Crowd]:
    """What `crowds` reads: the groups that a question's filters leave, by some of the table's dimensions."""
    found: dict[Group, str] = {}
    for group, people in table.items():
        told = dict(zip(("machine", "shift", "thickness"), group, strict=False))
        if all(told[name] in values for name, values in question.filters.items()):
            key = tuple(told[name] for name in names)
            found[key] = found.get(key, "") + people
    return crowds(found)


@settings(max_examples=60, deadline=None)
@given(st.data(), st.integers(2, 4))
def test_whichever_machines_and_shifts_are_asked_for_the_same_groups_are_left_out(data: Any, least: int) -> None:
    table = data.draw(TABLES | DEEPER)
    filters = data.draw(
        st.fixed_dictionaries(
            {},
            optional={
                "machine": st.lists(st.sampled_from("abcd"), min_size=1, max_size=2).map(tuple),
                "shift": st.lists(st.sampled_from(("early", "late", "night")), min_size=1, max_size=2).map(tuple),
            },
        )
    )
    names = ("machine", "shift", "thickness")[: len(next(iter(table)))]
    by = tuple(DIMENSIONS[name] for name in names)
    day = date(2026, 3, 4)

    def left(**filters: Any) -> set[Group]:
        question = without_few(Mock(), Question(day, day, by, filters, {}, 0.95)).question
        lost = [one.groups for one in question.left_out]
        return {group for group in table if any(group[: len(one)] == one for groups in lost for one in groups)}

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("worker.reports.withholding.least_people", lambda *_: least)
        patch.setattr("worker.reports.withholding.spellings", lambda *_: {})
        patch.setattr("worker.reports.withholding.crowds", lambda _, asked, names: pencil_table(table, asked, names))
        whole = left()
        assert left(**filters) == {
            group
            for group in whole
            if all(value in filters.get(name, (value,)) for name, value in zip(names, group, strict=True))
        }


def test_a_person_counts_once_by_each_key_and_once_by_name() -> None:
    first, second = [f"p-{letter * 12}" for letter in "abc"], [f"p2-{letter * 12}" for letter in "xyz"]
    assert people_among([]) == 0
    assert people_among(first[:2] + second[:1] + ["K. Varga"]) == 2
    assert people_among(first[:1] + second) == 3
    # A name that looks a little like one is a name.
    assert people_among(["p-17", "p1-abc", "K. Varga", *first[:2]]) == 3
    two = {*first[:2], *second[:2], "K. Varga", "M. Okoro"}
    assert groups_of_few({("a", "early"): Crowd(two, 9)}, least=3) == {("a", "early")}


@settings(max_examples=150, deadline=None)
@given(TABLES | DEEPER, st.integers(2, 4))
def test_no_sum_of_few_follows_from_what_is_shown_unless_a_whole_line_is_left_out(
    table: dict[Group, str], least: int
) -> None:
    out = left_out(table, least)
    assert {group for group, people in table.items() if 0 < len({*people} - {"."}) < least} <= out
    # A line that is left out as a whole has a sum that another question tells, by its rule; so is it with what follows
    # from such sums were nothing at all shown by machine and shift. Nothing helps there.
    helpless = [line for line in equations(table, least) if line <= out]
    everything = list(solved(table, {*table}, least))
    helpless += [sum_of for sum_of in everything if sum_of <= out]
    for sum_of in solved(table, out, least):
        people = named(table, sum_of)
        assert not people or len(people) >= least or any(sum_of <= line for line in helpless)
