"""Report coverage: can these figures be trusted? What entries lack, and what looks unlike life, by whom.

A row is a criterion, first of the whole site, then of each terminal (or machine, or shift). x of n is always what is
amiss, so a large share is bad; more than MOST_AMISS of it is `doubtful`. Entries of one terminal on one production day
stand or fall together: intervals rest on these as clusters (jobs for the parts of completed jobs, plates for perfect
records). A perfect record is doubtful when others, at the same thicknesses, would hardly ever have it by chance; a
silence when it is longer than any before and would hardly ever last so long. The site's row of these two, and of none
else, counts the doubtful ones among all.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from worker.reports.comparing import described
from worker.reports.entry_counts import (
    LACKS,
    MOST_EVENTS,
    MOST_JOBS,
    Entered,
    Entries,
    Silence,
    clocks_ahead,
    completed_jobs,
    entered,
    silence,
)
from worker.reports.notes import common_notes
from worker.reports.options import Option
from worker.reports.questions import Question
from worker.reports.reading import Reader, spellings
from worker.reports.report import Column, Report
from worker.sentences import Sentence, figure, sentence
from worker.stats.clustering import Clustered, clustered_wilson, correlation, effective

WHO: Final = Option(
    "who",
    "whose entries are told apart: those of each terminal (sender), machine or shift",
    ("terminal", "machine", "shift"),
)
OPTIONS: Final = (WHO,)
_COLUMN: Final = {"terminal": "source", "machine": "machine", "shift": "shift"}

#: What may be amiss before figures are doubtful.
MOST_AMISS: Final = 0.05
#: Chance below which a perfect record, or a silence, is taken for no chance.
LEAST_CHANCE: Final = 0.01
SITE: Final = "site"
NO_OTHERS: Final = sentence("no other at the same thicknesses")
NO_TIMES, NOT_RECORDED, AHEAD, PERFECT, SILENT = (
    "at_shift_end", "parts_not_recorded", "clock_ahead", "perfect_record", "silent",
)  # fmt: skip
METHOD: Final = sentence(
    "shares: Wilson interval of the effective sample; perfect records: beta-binomial chance by others' rates at the "
    "same thicknesses, Bonferroni over the names; silence: rule of succession"
)

COLUMNS: Final = (
    Column("scope", "", "site, terminal, machine or shift: of what the row speaks", "text"),
    Column("name", "", "which terminal, machine or shift; null: the site, or nobody told", "text"),
    Column("criterion", "", "what is looked at; each by its name in the README", "text"),
    Column("verdict", "", "doubtful or good; null: there is nothing to judge", "text"),
    Column("x", "", "how many are amiss", "integer"),
    Column("n", "", "of how many", "integer"),
    Column("counted", "", "what x and n count: attempts, parts, events, days, or terminals and the like", "text"),
    Column("share", "share (0-1)", "x over n: what is amiss"),
    Column(
        "share_low", "share (0-1)", "lower limit of the Wilson interval of the effective sample; null: none is made"
    ),
    Column(
        "share_high", "share (0-1)", "upper limit of the Wilson interval of the effective sample; null: none is made"
    ),
    Column("design_effect", "", "so many times fewer independent entries would tell as much"),
    Column("clusters", "", "days of terminals, else jobs or plates, that the interval rests on", "integer"),
    Column("p_value", "", "chance of such a perfect record, or of so long a silence"),
    Column("reason", "", "why there is no verdict, or what the interval rests on", "text"),
)
DETAILS: Final = (
    Column("attempts", "", "finished attempts in the window", "integer"),
    Column("names", "", "terminals, machines or shifts that told of them", "integer"),
    Column("criteria_doubtful", "", "criteria that are doubtful for the whole site", "integer"),
    Column("names_doubtful", "", "terminals, machines or shifts with a doubtful criterion", "integer"),
    Column("jobs_completed", "", "completed jobs whose parts were looked for among the attempts", "integer"),
    Column("method", "", "how intervals and chances are made", "text"),
)


@dataclass(frozen=True, slots=True)
class Found:
    """A criterion of the site or of one name: `counts` of what is amiss (x), and what is known beside the share."""

    scope: str
    name: str | None
    criterion: str
    counted: str
    counts: Clustered
    has_interval: bool = True
    chance: float | None = None
    is_doubtful: bool | None = None
    reason: str | None = None

    @property
    def verdict(self) -> str | None:
        """Whether it speaks against the figures."""
        doubtful = self.counts.x > MOST_AMISS * self.counts.n if self.is_doubtful is None else self.is_doubtful
        return None if not self.counts.n else "doubtful" if doubtful else "good"


@dataclass(frozen=True)
class Asked:
    """What all criteria are made from."""

    who: str
    entered: Entered
    least_entries: int
    jobs: Clustered | None = None
    clocks: Mapping[str, tuple[int, int]] | None = None

    @property
    def holds_anything(self) -> bool:
        """Whether there is something to look at."""
        return bool(self.entered.shifts or self.clocks or (self.jobs and self.jobs.n))


def entry_coverage(reader: Reader, question: Question) -> Report:
    """Each criterion of the site, then of each terminal, machine or shift."""
    who = question.options[WHO.name]
    found = entered(reader, question, column=_COLUMN[who])
    least = reader.calendar.on(question.last_day).limits.shift_end_entries
    clocks = clocks_ahead(reader, question) if who == "terminal" else None
    asked = Asked(who, found, least, completed_jobs(reader, question), clocks)
    return _answer(reader, question, asked, spellings(reader, "machine") if who == "machine" else {})


def _answer(reader: Reader, question: Question, asked: Asked, spelled: Mapping[str, str]) -> Report:
    found = list(_found(asked)) if asked.holds_anything else []
    alike = {
        criterion: correlation([one.counts for one in found if one.criterion == criterion and one.scope != SITE])
        for criterion in {one.criterion for one in found}
    }
    rows = [
        _row(
            replace(one, name=spelled.get(one.name or "", one.name)),
            confidence=question.confidence,
            alike=None if one.scope == SITE else alike[one.criterion],
        )
        for one in found
    ]
    rows.sort(key=lambda row: (row["scope"] != SITE, row["name"] is None, row["name"] or ""))
    doubtful = [row for row in rows if row["verdict"] == "doubtful"]
    details = {
        "attempts": sum(entries.attempts for entries in asked.entered.shifts),
        "names": len({entries.name for entries in asked.entered.shifts}),
        "criteria_doubtful": sum(1 for row in doubtful if row["scope"] == SITE),
        "names_doubtful": len({row["name"] for row in doubtful if row["scope"] != SITE}),
        "jobs_completed": None if asked.jobs is None else asked.jobs.clusters,
        "method": METHOD,
    }
    return described(
        "coverage", reader, question, columns=COLUMNS, rows=rows, details=details,
        notes=list(_said(reader, question, asked, rows)),
    )  # fmt: skip


# --- criteria ---------------------------------------------------------------------------------------------------


def _found(asked: Asked) -> Iterator[Found]:
    """The criteria of the site, then those of each name, each in the same order."""
    by_name: dict[str | None, list[Entries]] = defaultdict(list)
    for entries in asked.entered.shifts:
        by_name[entries.name].append(entries)
    singular = [*_perfect(asked), *_silent(asked, by_name)]
    yield from _of_entries(SITE, None, asked.entered.shifts, asked.least_entries)
    if asked.jobs is not None:
        yield Found(SITE, None, NOT_RECORDED, "parts", asked.jobs.failures)
    if asked.clocks is not None:
        yield _ahead(SITE, None, asked.clocks.values())
    yield from _counted_up(asked.who, singular)
    for name, shifts in by_name.items():
        yield from _of_entries(asked.who, name, shifts, asked.least_entries)
        if asked.clocks is not None:
            yield _ahead(asked.who, name, [asked.clocks.get(name or "", (0, 0))])
        yield from (one for one in singular if one.name == name)


def _of_entries(scope: str, name: str | None, shifts: Sequence[Entries], least_entries: int) -> Iterator[Found]:
    for lack in LACKS:
        counts = _of_days((one.source, one.day, one.lacking[lack], one.attempts) for one in shifts)
        yield Found(scope, name, lack, "attempts", counts)
    at_end = _of_shift_ends(shifts, least_entries)
    reason = None if at_end.n else _no_shift(least_entries)
    yield Found(scope, name, NO_TIMES, "attempts", at_end, reason=reason)


def _no_shift(least_entries: int) -> Sentence:
    return sentence("no shift in which a terminal told of %(least)s attempts", least=least_entries)


def _of_shift_ends(shifts: Sequence[Entries], least_entries: int) -> Clustered:
    """Attempts of shifts in which a terminal told of all of them around the shift's end; of shifts with enough."""
    units: dict[tuple[str | None, str, str | None], list[int]] = defaultdict(lambda: [0, 0])
    for entries in shifts:
        # What is told soon after a shift is told of that one.
        unit = units[(entries.source, *(entries.shift_end or (entries.day, entries.shift)))]
        unit[0] += entries.attempts if entries.shift_end else 0
        unit[1] += entries.attempts
    return _of_days(
        (source, day, told if near == told else 0, told)
        for (source, day, _), (near, told) in units.items()
        if told >= least_entries
    )


def _of_days(told: Iterable[tuple[str | None, str, int, int]]) -> Clustered:
    """(terminal, production day, x, n) of entries -> counts whose clusters are the days of the terminals."""
    days: dict[tuple[str | None, str], list[int]] = defaultdict(lambda: [0, 0])
    for source, day, x, n in told:
        days[source, day][0] += x
        days[source, day][1] += n
    return Clustered.of((x, n) for x, n in days.values())


def _ahead(scope: str, name: str | None, events: Collection[tuple[int, int]]) -> Found:
    ahead, among = sum(ahead for ahead, _ in events), sum(among for _, among in events)
    reason = None if among else sentence("none among the newest %(most)s events of the window", most=MOST_EVENTS)
    return Found(scope, name, AHEAD, "events", Clustered.singly(ahead, among), has_interval=False, reason=reason)


def _perfect(asked: Asked) -> Iterator[Found]:
    """Names of whose parts none ever failed, against the others at the same thicknesses."""
    strata = {
        name: {nm: counts.failures for nm, counts in sorted(by.items(), key=repr)}
        for name, by in sorted(asked.entered.parts.items(), key=repr)
    }
    together: dict[int | None, list[Clustered]] = defaultdict(list)
    for by in strata.values():
        for nm, counts in by.items():
            together[nm].append(counts)
    totals = {nm: Clustered.total(counts) for nm, counts in together.items()}
    alike = correlation([counts for by in strata.values() for counts in by.values()])
    for name, by in strata.items():
        whole = Clustered.total(by.values())
        pairs = [(counts, totals[nm].without(counts)) for nm, counts in by.items()]
        chance = _chance_of_none(pairs, alike) if whole.n and not whole.x else None
        # With many names one of them has a rare record: Bonferroni.
        is_doubtful = chance is not None and chance * len(strata) < LEAST_CHANCE
        reason = NO_OTHERS if whole.n and not whole.x and chance is None else None
        yield Found(asked.who, name, PERFECT, "parts", whole, chance=chance, is_doubtful=is_doubtful, reason=reason)


def _chance_of_none(pairs: Sequence[tuple[Clustered, Clustered]], alike: float | None) -> float | None:
    """Chance that none of these parts fails, (own, the others') counts of failures being paired by thickness.

    Beta-binomial, on effective counts: the others' share of failures has the posterior of Jeffreys' prior. None where
    no others are known.
    """
    from scipy import special

    logs = []
    for own, others in pairs:
        if own.n and others.n:
            mine, known = (effective(counts, pooled=alike, own=False) for counts in (own, others))
            a, b = known.x + 0.5, known.n - known.x + 0.5
            logs.append(float(special.betaln(a, b + mine.n) - special.betaln(a, b)))
    return math.exp(math.fsum(logs)) if logs else None


def _silent(asked: Asked, by_name: Mapping[str | None, Sequence[Entries]]) -> Iterator[Found]:
    """Names that told of attempts before, and then no more while others did. A shift not worked is no silence."""
    if asked.who == "shift":
        return
    working = sorted({entries.day for entries in asked.entered.shifts})
    for name, shifts in by_name.items():
        found = silence(sorted({entries.day for entries in shifts}), working)
        yield Found(
            asked.who, name, SILENT, "days", Clustered.singly(found.silent, found.since_first), has_interval=False,
            chance=found.chance, is_doubtful=_is_too_long(found),
        )  # fmt: skip


def _is_too_long(found: Silence) -> bool:
    return found.silent > found.longest and found.chance < LEAST_CHANCE


def _counted_up(who: str, singular: Sequence[Found]) -> Iterator[Found]:
    """How many names have a doubtful record, or are silent."""
    for criterion in (PERFECT, SILENT):
        verdicts = [one.verdict for one in singular if one.criterion == criterion]
        if known := [verdict for verdict in verdicts if verdict is not None]:
            doubtful = known.count("doubtful")
            yield Found(
                SITE, None, criterion, f"{who}s", Clustered.singly(doubtful, len(known)), has_interval=False,
                is_doubtful=doubtful > 0,
            )  # fmt: skip


# --- rows and notes ---------------------------------------------------------------------------------------------


def _row(one: Found, *, confidence: float, alike: float | None) -> dict[str, Any]:
    counts = one.counts
    found = clustered_wilson(counts, confidence=confidence, pooled=alike, own=alike is None)
    known = one.has_interval and counts.n > 0
    return {
        "scope": one.scope,
        "name": one.name,
        "criterion": one.criterion,
        "verdict": one.verdict,
        "x": round(counts.x),
        "n": round(counts.n),
        "counted": one.counted,
        "share": counts.x / counts.n if counts.n else None,
        "share_low": found.low if known else None,
        "share_high": found.high if known else None,
        "design_effect": found.design_effect if known else None,
        "clusters": counts.clusters if known else None,
        "p_value": one.chance,
        "reason": one.reason or found.reason,
    }


_NOTHING_TO_NOTE: Final = {"pending_first": 0, "open_attempts": 0, "bevelled_attempts": 0}
_MOST_NAMED: Final = 5


def _said(reader: Reader, question: Question, asked: Asked, rows: Sequence[dict[str, Any]]) -> Iterator[Sentence]:
    yield from common_notes(_NOTHING_TO_NOTE, question, reader.as_of)
    if not asked.entered.shifts:
        yield sentence("no attempt was finished in this window: there is nothing to trust or to doubt")
        return
    doubtful = [row for row in rows if row["verdict"] == "doubtful"]
    for row in doubtful:
        if row["scope"] == SITE and (means := _means(row["criterion"], row["share"])) is not None:
            yield means
    for criterion in (PERFECT, SILENT):
        named = [row for row in doubtful if row["scope"] != SITE and row["criterion"] == criterion]
        yield from (_said_of(row, asked.who) for row in named[:_MOST_NAMED])
        if len(named) > _MOST_NAMED:
            yield sentence(
                "%(more)s more have a doubtful %(criterion)s", more=len(named) - _MOST_NAMED, criterion=criterion
            )
    if not any(row["scope"] == SITE for row in doubtful):
        yield sentence("nothing that is looked at speaks against these figures; that does not prove what was entered")
    if asked.jobs is None:
        yield sentence(
            "whether all parts of completed jobs were entered is told without filters other than purpose only"
        )
    elif asked.jobs.clusters == MOST_JOBS:
        yield sentence(
            "parts of completed jobs are those of the newest %(most)s jobs in the window",
            most=MOST_JOBS,
        )


def _means(criterion: str, amiss: float) -> Sentence | None:
    """What follows from a criterion that is doubtful for the whole site; None for those that names have."""
    share = figure(100 * amiss, ".3g")
    return {
        "no_plate": sentence(
            "%(share)s %% of the attempts name no plate: their parts count as clusters by run or attempt, so that "
            "intervals may be too narrow, and nothing is known of surface and heat",
            share=share,
        ),
        "no_piece": sentence(
            "%(share)s %% of the attempts name no piece: a retry among them is not seen, counts as a first attempt and "
            "moves the first-pass yield; report retries takes each for a piece",
            share=share,
        ),
        "no_pierces": sentence(
            "%(share)s %% of the attempts do not tell their pierces: the failed-pierce rate rests on the others alone",
            share=share,
        ),
        "no_seconds": sentence(
            "%(share)s %% of the attempts do not tell how long they took: lost time and its cost are too low",
            share=share,
        ),
        "no_verdict": sentence(
            "%(share)s %% of the attempts have parts without a verdict: failures are known at once, good ones only "
            "when inspected, so the first-pass yield still rises",
            share=share,
        ),
        NO_TIMES: sentence(
            "%(share)s %% of the attempts were told within minutes of a shift's end, as were all others of the "
            "terminal and shift: conclude nothing from times, order or shift",
            share=share,
        ),
        NOT_RECORDED: sentence(
            "%(share)s %% of the parts that completed jobs asked for are good in no attempt: cuts are missing, and "
            "whether the missing ones went like the others is not known",
            share=share,
        ),
        AHEAD: sentence(
            "%(share)s %% of the events happened, as their senders say, after they were received: clocks are ahead, "
            "and what was first may be told wrong",
            share=share,
        ),
    }.get(criterion)


def _said_of(row: Mapping[str, Any], who: str) -> Sentence:
    if row["criterion"] == PERFECT:
        return sentence(
            "%(who)s: all of %(parts)s parts good at once, which others at the same thicknesses would have with a "
            "chance of %(chance)s: look whether failures are entered there",
            who=_who(who, row["name"]),
            parts=row["n"],
            chance=figure(row["p_value"], ".2g"),
        )
    return sentence(
        "%(who)s: nothing told on the last %(days)s working days, longer than ever before: is it off, out of reach, or "
        "are its cuts not entered?",
        who=_who(who, row["name"]),
        days=row["x"],
    )


def _who(who: str, name: str | None) -> Sentence:
    """A terminal, machine or shift by its name, or as nobody told it."""
    if who == "terminal":
        return sentence("terminal %(name)s", name=name) if name else sentence("terminal not told")
    if who == "machine":
        return sentence("machine %(name)s", name=name) if name else sentence("machine not told")
    return sentence("shift %(name)s", name=name) if name else sentence("shift not told")


def example(reader: Reader, question: Question) -> Report:
    """A terminal that tells all, and one that does not, invented."""
    names = ("/terminals/bay-1", "/terminals/bay-2")
    days = [f"2026-03-{day:02d}" for day in range(2, 8)]
    found = Entered()
    for name, lacking in zip(names, (0, 4), strict=True):
        for day in days:
            lacks = dict.fromkeys(LACKS, 0) | {"no_plate": lacking, "no_pierces": lacking // 2}
            at_end = (day, "early") if lacking and day < "2026-03-04" else None
            found.shifts.append(Entries(name, name, day, "early", 10, lacks, at_end))
        found.parts[name][20_000_000] = Clustered.singly(216, 240)
    clocks = {names[0]: (0, 70), names[1]: (3, 66)}
    return _answer(reader, question, Asked("terminal", found, 3, Clustered.of([(38, 40), (60, 60)]), clocks), {})
