"""Report losses, divided by stage, term, location or cause: what goes wrong most, and why?

Pareto's order of the words within each group, by parts, minutes or cost. What is behind a word is told in
`worker.lost_parts`; a share of parts has the Wilson interval of the effective sample, whose clusters are the lost parts
of one production day and combination: they hold whole attempts and plates, which stand or fall together.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from sqlalchemy import BigInteger, Select, Subquery, and_, case, cast, func, literal, select
from sqlalchemy.sql.selectable import FromClause

from worker.losses import UNSTATED
from worker.lost_parts import SEVERAL
from worker.measures import COUNT, E3, E6, MINUTES, MONEY, PARTS, SHARE, ratio, scaled
from worker.reports.by_combination import divided_by, with_dimensions
from worker.reports.dimensions import LOST_BY, Dimension
from worker.reports.notes import COMMON_SUMS, common_notes, rates_not_set, several_currencies
from worker.reports.options import Option
from worker.reports.questions import Question
from worker.reports.reading import (
    INTERVAL,
    Group,
    Reader,
    asked_of,
    attempt_groups,
    dimension_columns,
    shown_groups,
    window_of,
)
from worker.reports.report import Column, Report
from worker.sentences import Sentence, figure, sentence
from worker.stats.clustering import Clustered, clustered_wilson, correlation
from worker.stats.pareto import ParetoEntry, pareto
from worker.sums import Expression, capped, total

RANK_BY: Final = Option(
    "rank_by", "what the words of stage, term, location or cause are ordered by", ("parts", "minutes", "cost")
)
CERTAINTY: Final = Column("certainty", "", "of a cause: suspected or confirmed; only by=cause", "text")
COLUMNS: Final = (
    CERTAINTY,
    Column("rank", "", "place in the order; null for several and unstated, which stay behind", "integer"),
    Column("parts_lost", PARTS, "rework, scrap and not made parts of all attempts, each under one word", "integer"),
    Column("parts_share", SHARE, "parts lost over the parts that its group lost"),
    Column("parts_share_low", SHARE, f"lower limit of the {INTERVAL} of parts_share"),
    Column("parts_share_high", SHARE, f"upper limit of the {INTERVAL} of parts_share"),
    Column("cumulative_share", SHARE, "share of this word and those before it, of what rank_by says"),
    Column("parts_named", PARTS, "lost parts on which it was named at all; one part may be named twice", "integer"),
    Column("attempts_lost_on", COUNT, "attempts that lost parts under this word", "integer"),
    Column("minutes", MINUTES, "unplanned rework on attempts that name this word alone, so far"),
    Column("minutes_share", SHARE, "minutes over those of its group"),
    Column("cost", MONEY, "cost of poor quality of attempts that name this word alone; null where a rate is not set"),
    Column("cost_share", SHARE, "cost over that of its group"),
)

#: (word, certainty); certainty is empty where there is none.
Word = tuple[str, str]


@dataclass
class Lost:
    """What a word stands for within a group. cost_e6 is None when that of one attempt is not known.

    `parts2_over_size_e6`: sum over the clusters of parts^2 over the parts that the cluster lost, in millionths.
    """

    parts: int = 0
    named: int = 0
    attempts: int = 0
    minutes_e3: int = 0
    cost_e6: int | None = 0
    parts2_over_size_e6: int = 0

    def add(self, other: Lost) -> None:
        """Take in what the same word stands for elsewhere."""
        self.parts += other.parts
        self.named += other.named
        self.attempts += other.attempts
        self.minutes_e3 += other.minutes_e3
        self.cost_e6 = None if self.cost_e6 is None or other.cost_e6 is None else self.cost_e6 + other.cost_e6
        self.parts2_over_size_e6 += other.parts2_over_size_e6


@dataclass
class Words:
    """What was lost in a group, by word; `clusters` that lost parts, `size2` the sum of the squares of their parts."""

    lost: dict[Word, Lost] = field(default_factory=dict)
    clusters: int = 0
    size2: int = 0

    def add(self, other: Words) -> None:
        """Take in another group."""
        for word, lost in other.lost.items():
            self.lost.setdefault(word, Lost()).add(lost)
        self.clusters += other.clusters
        self.size2 += other.size2

    @property
    def parts(self) -> int:
        """All that were lost."""
        return sum(lost.parts for lost in self.lost.values())

    @property
    def minutes_e3(self) -> int:
        """Of all rework."""
        return sum(lost.minutes_e3 for lost in self.lost.values())

    @property
    def cost_e6(self) -> int | None:
        """Of all; None when that of one attempt is not known."""
        costs = [lost.cost_e6 for lost in self.lost.values()]
        known = [cost for cost in costs if cost is not None]
        return sum(known) if len(known) == len(costs) else None

    @property
    def counts(self) -> dict[Word, Clustered]:
        """By word its parts among those that were lost."""
        return {
            word: Clustered(lost.parts, self.parts, self.clusters, self.size2, lost.parts2_over_size_e6 / E6)
            for word, lost in self.lost.items()
        }

    def without_cost(self) -> Words:
        """The same with costs not known."""
        return replace(self, lost={word: replace(lost, cost_e6=None) for word, lost in self.lost.items()})


def lost_by_word(reader: Reader, question: Question) -> Report:
    """What was lost under each word, within the groups that the other dimensions make."""
    sort, others = sort_and_others(question)
    whole = attempt_groups(reader, replace(others, by=()), COMMON_SUMS)
    totals = whole.get((), dict.fromkeys(COMMON_SUMS, 0))
    groups = _read(reader, others, sort.name)
    return answer(reader, question, groups, [*common_notes(totals, others, reader.as_of)])


def _read(reader: Reader, question: Question, sort: str) -> dict[Group, Words]:
    """What was lost by group and word, summed up in two statements: of the words, and of the clusters."""
    groups: dict[Group, Words] = {}
    width = len(question.by)
    for row in reader.connection.execute(_of_words(reader, question, sort)):
        word, certainty, *sums, unknown = row[width:]
        parts, named, attempts, minutes_e3, cost_e6, over_size = (int(each) for each in sums)
        lost = Lost(parts, named, attempts, minutes_e3, None if unknown else cost_e6, over_size)
        groups.setdefault(tuple(row[:width]), Words()).add(Words({(word, certainty): lost}))
    for row in reader.connection.execute(_of_clusters(reader, question, sort)):
        # Without a division there is a row of sums over nothing too.
        if (group := tuple(row[:width])) in groups:
            groups[group].add(Words({}, *(int(each) for each in row[width:])))
    return groups


def _of_words(reader: Reader, question: Question, sort: str) -> Select[Any]:
    lost = reader.tables.lost_parts.c
    sums = {
        "parts": total(lost.parts_lost),
        "named": total(lost.parts_named),
        "attempts": total(case((lost.parts_lost > 0, 1), else_=0)),
        "minutes_e3": total(lost.rework_minutes_e3),
        "cost_e6": total(lost.cost_e6),
        "unknown": func.count() - func.count(lost.cost_e6),
    }
    found = _grouped(reader, question, sort, keys=(lost.word, lost.certainty), sums=sums)
    cluster = [column for column in found.c if column.name not in ("word", "certainty", *sums)]
    size = cast(func.sum(found.c.parts).over(partition_by=cluster), BigInteger).label("size")
    with_sizes = select(*found.c, size).subquery("sized")
    sized = with_sizes.c
    parts, within = capped(sized.parts), capped(sized.size)
    over_size = case((within > 0, parts * parts * E6 // within), else_=literal(0))
    by, joined, where = _divided(reader, question, with_sizes)
    words = (sized.word, sized.certainty)
    amounts = [total(sized[name]) for name in ("parts", "named", "attempts", "minutes_e3", "cost_e6")]
    return (
        select(*by, *words, *amounts, total(over_size), total(sized.unknown))
        .select_from(joined)
        .where(*where)
        .group_by(*by, *words)
    )


def _of_clusters(reader: Reader, question: Question, sort: str) -> Select[Any]:
    sums = {"parts": total(reader.tables.lost_parts.c.parts_lost)}
    found = _grouped(reader, question, sort, keys=(), sums=sums)
    by, joined, where = _divided(reader, question, found)
    size = capped(found.c.parts)
    amounts = (total(case((size > 0, 1), else_=0)), total(size * size))
    return select(*by, *amounts).select_from(joined).where(*where).group_by(*by)


def _grouped(
    reader: Reader, question: Question, sort: str, *, keys: Sequence[Expression], sums: Mapping[str, Expression]
) -> Subquery:
    """Sums over lost parts by cluster and `keys`; by the dimensions too, where only attempts carry them."""
    tables = reader.tables
    a, lost = tables.attempts.c, tables.lost_parts.c
    source: FromClause = tables.lost_parts
    by: list[Expression] = []
    where = [lost.site == reader.site, lost.sort == sort, *window_of(question, lost)]
    if question.needs_attempts:
        source = source.join(tables.attempts, and_(a.site == lost.site, a.attempt == lost.attempt))
        by = divided_by(question, a)
        where += asked_of(question, a)
    columns = [*by, lost.day, lost.combination, *keys]
    query = select(*columns, *(expression.label(name) for name, expression in sums.items())).select_from(source)
    return query.where(*where).group_by(*columns).subquery("lost")


def _divided(
    reader: Reader, question: Question, found: Subquery
) -> tuple[list[Expression], FromClause, list[Expression]]:
    """(dimensions, what they and what was found are selected from, filters) of sums by cluster."""
    if question.needs_attempts:
        return [found.c[f"by_{dimension.name}"] for dimension in question.by], found, []
    columns, joined = with_dimensions(reader, question, found)
    return divided_by(question, columns), joined, list(asked_of(question, columns))


# --- rows -------------------------------------------------------------------------------------------------------


def answer(reader: Reader, question: Question, groups: Mapping[Group, Words], notes: list[str]) -> Report:
    """The report of what was lost by group and word. `question` names one of LOST_BY, the groups are by its others."""
    sort, others = sort_and_others(question)
    currencies = reader.currencies(question)
    if len(currencies) > 1:
        groups = {group: words.without_cost() for group, words in groups.items()}
        notes = [*notes, several_currencies(currencies)]
    whole = Words()
    for words in groups.values():
        whole.add(words)
    pooled = _pooled(groups.values())
    rows: list[dict[str, Any]] = []
    for shown, words in shown_groups(reader, others, groups):
        rows += [shown | row for row in _rows(words, question, pooled, sort.name)]
    columns = (*dimension_columns(others), Column(sort.name, "", sort.definition, "text"), *COLUMNS)
    return Report(
        name="losses",
        site=reader.site,
        first_day=question.first_day,
        last_day=question.last_day,
        by=tuple(dimension.name for dimension in question.by),
        filters=question.asked,
        confidence=question.confidence,
        as_of=reader.as_of,
        columns=tuple(column for column in columns if column is not CERTAINTY or sort.name == "cause"),
        rows=rows,
        totals=_totals(whole),
        currency=next(iter(currencies)) if len(currencies) == 1 else None,
        notes=[*_said(whole, question, sort.name), *notes],
    )


def sort_and_others(question: Question) -> tuple[Dimension, Question]:
    """(the sort of word that it names, the question divided by its other dimensions alone)."""
    sort = next(dimension for dimension in question.by if dimension in LOST_BY)
    return sort, replace(question, by=tuple(dimension for dimension in question.by if dimension is not sort))


def _pooled(groups: Iterable[Words]) -> dict[Word, float | None]:
    """Correlation within clusters of each word, over all groups together."""
    counts: dict[Word, list[Clustered]] = {}
    for words in groups:
        for word, found in words.counts.items():
            counts.setdefault(word, []).append(found)
    return {word: correlation(found) for word, found in counts.items()}


def _rows(words: Words, question: Question, pooled: Mapping[Word, float | None], sort: str) -> Iterator[dict[str, Any]]:
    counts, cost = words.counts, words.cost_e6
    for word, entry in _ordered(words, question.options[RANK_BY.name]):
        lost = words.lost[word]
        share = clustered_wilson(counts[word], confidence=question.confidence, pooled=pooled[word], own=False)
        yield {
            sort: word[0],
            **({CERTAINTY.name: word[1] or None} if sort == "cause" else {}),
            "rank": entry.rank,
            "parts_lost": lost.parts,
            "parts_share": ratio(lost.parts, words.parts),
            "parts_share_low": share.low,
            "parts_share_high": share.high,
            "cumulative_share": entry.cumulative_share,
            "parts_named": lost.named,
            "attempts_lost_on": lost.attempts,
            "minutes": scaled(lost.minutes_e3, E3),
            "minutes_share": ratio(lost.minutes_e3, words.minutes_e3),
            "cost": None if lost.cost_e6 is None else scaled(lost.cost_e6, E6),
            "cost_share": None if cost is None or lost.cost_e6 is None else ratio(lost.cost_e6, cost),
        }


def _ordered(words: Words, rank_by: str) -> list[tuple[Word, ParetoEntry]]:
    """The words in Pareto's order. By a cost that is not known of all of them they have no rank and no shares."""
    names = {_said_of(word): word for word in words.lost}
    if rank_by == "cost" and words.cost_e6 is None:
        return [(names[name], ParetoEntry(name, 0, None, None, None)) for name in sorted(names)]
    amount = {"parts": "parts", "minutes": "minutes_e3", "cost": "cost_e6"}[rank_by]
    amounts = {name: getattr(words.lost[word], amount) for name, word in names.items()}
    return [(names[entry.name], entry) for entry in pareto(amounts)]


def _said_of(word: Word) -> str:
    return " ".join(word).rstrip()


def _totals(words: Words) -> dict[str, Any]:
    return {
        "parts_lost": words.parts,
        "minutes": scaled(words.minutes_e3, E3),
        "cost": None if words.cost_e6 is None else scaled(words.cost_e6, E6),
    }


# --- notes ------------------------------------------------------------------------------------------------------

_RULES: Final = {
    "stage": sentence("a part that was not good belongs to the first stage that it failed"),
    "term": sentence(
        "within its stage a part stands under the term that was named on most parts; parts_named counts it under each "
        "that was named"
    ),
    "location": sentence(
        "within its stage a part stands under the place that was named on most parts; nobody says where a part that "
        "was not made failed"
    ),
    "cause": sentence(
        "causes are what people named, for attempts as a whole: several is what has more than one; a suspected cause "
        "is an opinion, and nothing here proves that one made the parts fail"
    ),
}
#: Under which word minutes and cost stand, by the sort of word.
_OF_WHOLE_ATTEMPTS: Final = {
    "stage": sentence(
        "minutes and cost are known of whole attempts: they stand under a stage when the attempt names no other"
    ),
    "term": sentence(
        "minutes and cost are known of whole attempts: they stand under a term when the attempt names no other"
    ),
    "location": sentence(
        "minutes and cost are known of whole attempts: they stand under a location when the attempt names no other"
    ),
    "cause": sentence(
        "minutes and cost are known of whole attempts: they stand under a cause when the attempt names no other"
    ),
}


def _said(whole: Words, question: Question, sort: str) -> Iterator[Sentence]:
    """What a manager may and may not conclude."""
    if not whole.lost:
        return
    if question.options[RANK_BY.name] == "parts":
        yield from _first_and_second(whole, question)
    unstated = sum(lost.parts for (word, _), lost in whole.lost.items() if word == UNSTATED)
    if unstated:
        yield _unnamed(unstated, whole.parts, sort)
    yield _RULES[sort]
    yield _OF_WHOLE_ATTEMPTS[sort]
    if whole.cost_e6 is None:
        yield rates_not_set()


def _unnamed(unstated: int, parts: int, sort: str) -> Sentence:
    """Of so many lost parts these have no word of the sort."""
    values = {"unnamed": unstated, "parts": parts, "share": figure(100 * unstated / parts, ".3g")}
    return {
        "stage": sentence(
            "%(unnamed)s of %(parts)s lost parts have no stage named (%(share)s %%): the order holds for the others, "
            "and may change when these are told",
            **values,
        ),
        "term": sentence(
            "%(unnamed)s of %(parts)s lost parts have no term named (%(share)s %%): the order holds for the others, "
            "and may change when these are told",
            **values,
        ),
        "location": sentence(
            "%(unnamed)s of %(parts)s lost parts have no location named (%(share)s %%): the order holds for the "
            "others, and may change when these are told",
            **values,
        ),
        "cause": sentence(
            "%(unnamed)s of %(parts)s lost parts have no cause named (%(share)s %%): the order holds for the others, "
            "and may change when these are told",
            **values,
        ),
    }[sort]


def _first_and_second(whole: Words, question: Question) -> Iterator[Sentence]:
    ranked = [word for word, entry in _ordered(whole, "parts") if entry.rank is not None and whole.lost[word].parts]
    limits = [clustered_wilson(whole.counts[word], confidence=question.confidence) for word in ranked[:2]]
    for word, share in zip(ranked[:1], limits, strict=False):
        yield sentence(
            "most parts are lost under %(word)s: %(lost)s of %(parts)s, between %(low)s and %(high)s %% "
            "(%(confidence)s %% confidence, chance alone)",
            word=_said_of(word),
            lost=whole.lost[word].parts,
            parts=whole.parts,
            low=figure(100 * (share.low or 0), ".3g"),
            high=figure(100 * (share.high or 0), ".3g"),
            confidence=figure(100 * question.confidence, "g"),
        )
    if len(limits) == 2 and (limits[0].low or 0) <= (limits[1].high or 0):
        first, second = (_said_of(word) for word in ranked[:2])
        yield sentence(
            "whether more parts are lost under %(first)s or under %(second)s cannot be told from these",
            first=first,
            second=second,
        )


def example(reader: Reader, question: Question) -> Report:
    """An invented week by defect term."""
    week = {
        ("slag_lower_edge", ""): Lost(9, 9, 6, 96_000, 73_600_000, 5_400_000),
        ("pierce_failed", ""): Lost(4, 4, 2, 0, 61_200_000, 2_666_666),
        ("wide_kerf", ""): Lost(2, 3, 1, 12_000, 9_200_000, 666_666),
        (SEVERAL, ""): Lost(2, 0, 1, 35_000, 41_000_000, 571_428),
        (UNSTATED, ""): Lost(1, 0, 1, 44_500, 34_117_000, 200_000),
    }
    return answer(reader, replace(question, by=(LOST_BY[1],)), {(): Words(week, clusters=3, size2=110)}, [])
