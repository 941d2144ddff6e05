"""What a report leaves out so that it tells of nobody: groups of few people by machine and shift together.

Who runs one machine in one shift is known to everyone in the shop, so figures of that group are figures of that person.
A question that divides by, or asks for, both has its groups looked at first: how many different people are named in
each (operators of attempts, as the ledger keeps them). Groups of fewer than the site's `least_people` are left out
before anything is summed up: of rows, totals, details and sentences alike. So nothing within one answer can be
subtracted.

What by=machine or by=shift alone say could be subtracted: so where a group is left out, others of its machine and of
its shift are too, until each such line lacks two groups that cannot be told one after the other, and at least as many
people (complementary suppression; Willenborg and de Waal, Elements of Statistical Disclosure Control, from memory).
Which groups of machine and shift these are depends on the window alone, never on the filters; finer groups are judged
over all machines and shifts, whichever are asked for. Attempts that name nobody tell of nobody: a group in which no
attempt names anybody is shown.

Not held off: the difference of two windows, or of two sets of other filters, each of which is of enough people; and
what single attempts say, which is no report.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from sqlalchemy import func, select

from worker.naming import generation_of
from worker.reports.dimensions import DIMENSIONS, Dimension, stored_expression
from worker.reports.questions import LeftOut, Question, QuestionUnanswerable, Wrong
from worker.reports.reading import MOST_GROUPS, MOST_ROWS, Group, Reader, calendar_of, conditions_of, spellings
from worker.sentences import Sentence, counted, joined, sentence

SETTING: Final = "least_people"
#: Who asks for both of these asks for figures of few.
PAIR: Final = ("machine", "shift")
#: What else says on which machine: a terminal stands beside one.
_SAYS_MACHINE: Final = ("machine", "terminal")
#: Each is mostly of one machine and one shift: divided by it, figures by machine and figures by shift make one table.
_JOINS: Final = ("run", "plate", "job")
_MOST_NAMED: Final = 6
#: Of one question: so many (group, person) are read.
_MOST_READ: Final = 4 * MOST_GROUPS
#: Begins what is said of groups that were left out.
WITHHELD: Final = "withheld: "
_LEFT_OUT: Final = ", left out of all figures: "


@dataclass
class Crowd:
    """Who is named in a group of attempts, and how many attempts these are."""

    people: set[str] = field(default_factory=set)
    attempts: int = 0

    @property
    def size(self) -> int:
        """How many people these are at least."""
        return people_among(self.people)


@dataclass(frozen=True)
class Withheld:
    """A question without what may not be told, and what is said of that."""

    question: Question
    notes: tuple[str, ...] = ()


def people_among(people: Iterable[str]) -> int:
    """How many people have these names and pseudonyms, at least.

    One person has a pseudonym by each key that the site had, and maybe a name that was kept: so the most that are told
    apart by one key, or by name, are counted.
    """
    return max(Counter(map(generation_of, people)).values(), default=0)


def is_looked_at(question: Question, keys: Collection[str] = ()) -> bool:
    """True for a question that tells machines and shifts at once. keys: columns that its rows are known by."""
    named = {*_divided_by(question, keys), *question.filters, *_options(question)}
    told = (_SAYS_MACHINE, ("shift",), _JOINS)
    return sum(not named.isdisjoint(words) for words in told) > 1


def least_people(reader: Reader, question: Question) -> int:
    """Of how many people a group must be: the most that the site's settings ask on any day of the question's window.

    By the settings as they are counted now, also where figures are asked for as they stood: a name that is to be
    protected today is protected in yesterday's answers.
    """
    versions = calendar_of(reader.connection, reader.site).versions
    began = [version for version in versions if version.valid_from <= question.first_day][-1:]
    later = [version for version in versions if question.first_day < version.valid_from <= question.last_day]
    return max(int(version.values[SETTING]) for version in (*began, *later))


def without_few(
    reader: Reader, question: Question, keys: Collection[str] = (), *, also_read: Sequence[Question] = ()
) -> Withheld:
    """The question without groups of too few people in its window or in another that its answer rests on.

    keys: columns that the rows of its answer are known by. also_read: the same question of those other windows. Raises
    QuestionUnanswerable for more groups than are read, or where more would be left out than an answer has rows.
    """
    windows = (question, *also_read)
    if not is_looked_at(question, keys) or (least := max(least_people(reader, each) for each in windows)) <= 1:
        return Withheld(question)
    names = [*PAIR, *(name for name in _divided_by(question, keys) if name not in PAIR)]
    pairs: set[Group] = set()
    for each in windows:
        pairs |= groups_of_few(crowds(reader, replace(each, filters={}), PAIR), least=least)
    there: set[Group] = set()
    finer: set[Group] = set()
    for each in windows:
        # Over all machines and shifts: lines of those that are asked for alone would hide nothing.
        others = {name: values for name, values in each.filters.items() if name not in PAIR}
        groups = crowds(reader, replace(each, filters=others), names)
        of_pairs = {group for group in groups if group[: len(PAIR)] in pairs}
        finer |= groups_of_few(groups, least=least, lost=of_pairs) - of_pairs
        there |= {group[: len(PAIR)] for group in of_pairs}
    pairs, finer = ({group for group in some if _is_asked_for(question, group)} for some in (there, finer))
    if len(finer) > MOST_ROWS:
        said = sentence(
            "divides into %(groups)s groups of fewer than %(least)s people, which are not shown; divide less",
            groups=len(finer),
            least=least,
        )
        raise QuestionUnanswerable([Wrong("by", said)])
    left_out = [LeftOut(_dimensions(PAIR), frozenset(pairs)), LeftOut(_dimensions(names), frozenset(finer))]
    return Withheld(
        replace(question, left_out=tuple(one for one in left_out if one.groups)),
        tuple(_said(reader, names, pairs, finer, least)),
    )


def all_of_few(reader: Reader, question: Question, keys: Collection[str] = ()) -> tuple[LeftOut, ...]:
    """Groups of too few people in a question's window, also those that it does not ask for; none that is not looked at.

    For what rests on all that was cut in the window, whatever the filters.
    """
    if not is_looked_at(question, keys) or (least := least_people(reader, question)) <= 1:
        return ()
    pairs = groups_of_few(crowds(reader, replace(question, filters={}, left_out=()), PAIR), least=least)
    return (LeftOut(_dimensions(PAIR), frozenset(pairs)),) if pairs else ()


def crowds(reader: Reader, question: Question, names: Sequence[str]) -> dict[Group, Crowd]:
    """Who is named in the attempts of a question, by dimensions: one statement over the attempts of its window."""
    a = reader.tables.attempts.c
    by = [stored_expression(dimension, a).label(f"by_{dimension.name}") for dimension in _dimensions(names)]
    query = select(*by, a.operator, func.count()).where(*conditions_of(reader, question, a)).group_by(*by, a.operator)
    found: dict[Group, Crowd] = defaultdict(Crowd)
    rows = reader.connection.execute(query.limit(_MOST_READ + 1)).all()
    for *group, person, attempts in rows:
        crowd = found[tuple(group)]
        crowd.attempts += attempts
        if person is not None:
            crowd.people.add(person)
    if len(rows) > _MOST_READ or len(found) > MOST_GROUPS:
        told = sentence(
            "divides into more than %(most)s groups of %(names)s, by which it is told who is few; ask for fewer days, "
            "with a filter, or divide less",
            most=MOST_GROUPS,
            names=", ".join(names),
        )
        raise QuestionUnanswerable([Wrong("by", told)])
    return dict(found)


def _is_asked_for(question: Question, group: Group) -> bool:
    """True for a group of a machine and a shift that the filters let through."""
    return all(value in question.filters.get(name, (value,)) for name, value in zip(PAIR, group, strict=False))


def groups_of_few(crowds: Mapping[Group, Crowd], *, least: int, lost: Collection[Group] = ()) -> set[Group]:
    """Groups to leave out: those of 1 to `least` - 1 people, those `lost` anyway, and what would tell them.

    A group is the values of machine, shift, and maybe more dimensions. A line is all groups that differ in one of them
    alone, when its sum is told by a question that does not divide by that one. Groups are added, fewest people first,
    until each line that lacks any lacks two that cannot be told, of `least` people together, or lacks all. Nothing
    hides a group that is a line by itself.
    """
    out = {group for group, crowd in crowds.items() if 0 < crowd.size < least} | set(lost)
    every = _lines(crowds, least)
    alone = {line[0] for line in every if len(line) == 1}
    lines = [line for line in every if len(line) > 1]
    # What lines tell one after the other is looked at last: most often others that are added hide it.
    while more := (
        _more(crowds, lines, out, least, alone=alone, told=alone)
        or _more(crowds, lines, out, least, alone=alone, told=_told(lines, out, alone))
    ):
        out |= more
    return out


def _lines(crowds: Mapping[Group, Crowd], least: int) -> list[list[Group]]:
    """All lines whose sum is told, the groups of each by what is lost with them; those that name nobody last."""

    def worth(group: Group) -> tuple[Any, ...]:
        crowd = crowds[group]
        return (not crowd.people, crowd.size, crowd.attempts, repr(group))

    found: dict[tuple[int, Group], list[Group]] = defaultdict(list)
    for group in sorted(crowds, key=worth):
        for place in range(len(group)):
            found[place, group[:place] + group[place + 1 :]].append(group)
    # The sum over one of the others is of a machine and a shift, and itself not told when it is of few.
    return [line for (place, _), line in found.items() if place < len(PAIR) or _named(crowds, line) >= least]


def _named(crowds: Mapping[Group, Crowd], groups: Iterable[Group]) -> int:
    return people_among(set().union(*(crowds[group].people for group in groups)))


def _more(
    crowds: Mapping[Group, Crowd],
    lines: Sequence[Sequence[Group]],
    out: Collection[Group],
    least: int,
    *,
    alone: Collection[Group],
    told: Collection[Group],
) -> set[Group]:
    """What to leave out too: of each line that lacks too little the next group; those `told` anyway hide nothing."""
    more: set[Group] = set()
    for line in lines:
        if not any(group in out and group not in alone for group in line):
            continue
        hidden = [group for group in line if (group in out and group not in told) or group in more]
        if len(hidden) < 2 or _named(crowds, hidden) < least:
            more.update([group for group in line if not (group in out or group in more or group in alone)][:1])
    return more


def _told(lines: Sequence[Sequence[Group]], out: Collection[Group], alone: Collection[Group]) -> set[Group]:
    """Those left out that lines tell, one after the other: each lacks one alone whose sum is not told yet."""
    told = set(alone)
    while True:
        hidden = [[group for group in line if group in out and group not in told] for line in lines]
        more = {groups[0] for groups in hidden if len(groups) == 1}
        if not more:
            return told
        told |= more


def _divided_by(question: Question, keys: Collection[str]) -> list[str]:
    """Names of the dimensions that tell the rows of an answer apart."""
    by = [dimension.name for dimension in question.by if dimension.name in DIMENSIONS]
    by += [dimension.name for dimension in DIMENSIONS.values() if dimension.label in keys]
    return list(dict.fromkeys([*by, *(name for name in _options(question) if name in DIMENSIONS)]))


def _options(question: Question) -> list[str]:
    """What the options of a report tell apart, such as per=week or who=machine."""
    told = {*DIMENSIONS, *_SAYS_MACHINE}
    return [value for value in question.options.values() if isinstance(value, str) and value in told]


def _dimensions(names: Sequence[str]) -> tuple[Dimension, ...]:
    return tuple(DIMENSIONS[name] for name in names)


def _said(reader: Reader, names: Sequence[str], pairs: set[Group], finer: set[Group], least: int) -> list[Sentence]:
    notes = []
    why = sentence(
        "fewer than %(least)s people are named there, or it would tell such a group by subtraction (setting "
        "%(setting)s)",
        least=least,
        setting=SETTING,
    )
    # Each begins and goes on as WITHHELD and _LEFT_OUT say: `how_many_withheld` reads it so.
    if pairs:
        notes.append(
            counted(
                len(pairs),
                "withheld: %(count)s group of machine and shift, left out of all figures: %(why)s: %(groups)s",
                "withheld: %(count)s groups of machine and shift, left out of all figures: %(why)s: %(groups)s",
                why=why,
                groups=_named_pairs(reader, pairs),
            )
        )
    if finer:
        notes.append(
            counted(
                len(finer),
                "withheld: %(count)s group of %(names)s, left out of all figures: %(why)s",
                "withheld: %(count)s groups of %(names)s, left out of all figures: %(why)s",
                names=", ".join(names),
                why=why,
            )
        )
    return notes


def _named_pairs(reader: Reader, pairs: set[Group]) -> Sentence:
    spelled = spellings(reader, PAIR[0])
    told = sorted(_pair(spelled.get(machine, machine), shift) for machine, shift in pairs)
    named = joined(", ", told[:_MOST_NAMED])
    return sentence("%(groups)s and others", groups=named) if len(told) > _MOST_NAMED else named


def _pair(machine: str | None, shift: str | None) -> str:
    return f"{machine} {shift}" if machine else sentence("no machine %(shift)s", shift=shift)


def how_many_withheld(notes: Iterable[str]) -> str:
    """How many groups of what an answer's notes say that it leaves out, in few words; nothing: none."""
    said = (note.removeprefix(WITHHELD).split(_LEFT_OUT)[0] for note in notes if note.startswith(WITHHELD))
    return "; ".join(said)
