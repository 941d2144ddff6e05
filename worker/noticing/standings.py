"""What may be promised has changed: standings that were proven, fell back, lapsed or were ruled out of late.

One cause gives one finding: what changed in the same way on a machine is told together, since one worn nozzle takes
many thicknesses down and the first weeks of a shop prove many at once; what a new revision of a recipe makes lapse on a
machine is told with that revision. A change is told for NEWS_DAYS. It is taken from how things stood before these days
to how they stand now: what went there and back is none. Told in the report alone is what is open for the first time, or
again after it was ruled out, and what one plate rules out that was not proven: that may be the plate. Another target
of the site is no news either: the past is held against it too.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, Final

from worker.events import SITE
from worker.noticing.finding import STANDING, Finding
from worker.reports.holding import AGED, FELL_BACK, LEAST_PLATES, PROVEN, RULED_OUT, SUPERSEDED, Change
from worker.reports.questions import Question
from worker.reports.reading import Reader, spellings
from worker.reports.standing import NAMED, Names, shown, told_of
from worker.reports.standings import NEWS_DAYS, Standing, Standings, standings
from worker.sentences import Sentence, counted, figure, joined, sentence

CODE: Final = "standing_changed"
LAPSED: Final = "lapsed"
#: Standings that a finding lists, and those that its sentence names.
MOST_LISTED: Final = 20
MOST_NAMED: Final = 3
#: How a standing changed -> what is said of it, and what may be done.
_SAID: Final[Mapping[str, tuple[str, str]]] = {
    PROVEN: (sentence("became proven"), sentence("this may be promised now")),
    RULED_OUT: (sentence("was ruled out"), sentence("do not promise it with the settings tried")),
    FELL_BACK: (sentence("fell back"), sentence("no longer promise it, and look at what changed")),
    LAPSED: (sentence("lapsed with age"), sentence("prove it anew before it is promised")),
    SUPERSEDED: (
        sentence("lapsed with a revision that is no longer cut"),
        sentence("prove it anew before it is promised"),
    ),
}


@dataclass(frozen=True, slots=True)
class _News:
    """A standing that changed: how, from what, with which change."""

    standing: Standing
    how: str
    before: str | None
    change: Change


def standings_changed(reader: Reader, question: Question) -> list[Finding]:
    """A finding for each machine and way to change, and for each newer revision on a machine.

    question: see `standing_question`.
    """
    found = standings(reader, question)
    names = {kind: spellings(reader, kind) for kind in NAMED}
    gathered: dict[tuple[str, str, str], list[_News]] = defaultdict(list)
    for one in found.standings:
        if (news := _news(one, question.last_day)) is not None:
            gathered[_key(reader, news)].append(news)
    return [_finding(key, some, found, question, names) for key, some in sorted(gathered.items())]


def _news(one: Standing, today: date) -> _News | None:
    """What is new about a standing; None where nothing is, or nothing to tell."""
    since = today - timedelta(days=NEWS_DAYS)
    before, late = one.on(since), [change for change in one.changes if change.day > since.toordinal()]
    if not late or before == one.word:
        return None
    if one.word == PROVEN or (one.word == RULED_OUT and one.plates >= LEAST_PLATES):
        return _News(one, one.word, before, late[-1])
    # Lost within these days, perhaps by way of another standing
    lost = next((change for change in reversed(late) if change.before == PROVEN), None)
    if before != PROVEN or lost is None:
        return None
    return _News(one, {AGED: LAPSED}.get(lost.why, lost.why), before, lost)


def _key(reader: Reader, news: _News) -> tuple[str, str, str]:
    """Kind and key of the subject, and the other part of the key; a spelling may yet change."""
    on, newer = news.standing.cell[2] or "", news.standing.rivals.newer
    if news.how == SUPERSEDED and newer is not None:
        return "recipe", newer.revision.recipe, on
    return ("machine", on, news.how) if on else (SITE, reader.site, news.how)


def _finding(
    key: tuple[str, str, str], some: Sequence[_News], found: Standings, question: Question, names: Names
) -> Finding:
    rows = [_row(one, names) for one in some]
    return Finding(
        STANDING,
        CODE,
        *key,
        _sentence(key, some, rows, found, names),
        {
            "how": some[0].how,
            "target": found.rule.target,
            "confidence": found.rule.confidence,
            "changed": len(rows),
            "standings": rows[:MOST_LISTED],
        },
        first_day=question.first_day,
        last_day=question.last_day,
    )


def _row(news: _News, names: Names) -> dict[str, Any]:
    one = news.standing
    return shown(one, names) | {
        "from": news.before,
        "to": one.word,
        "day": date.fromordinal(news.change.day).isoformat(),
        "parts": round(one.counts.n),
        "good": round(one.counts.x),
        "plates": one.plates,
        "lower": one.bounds.lower,
        "upper": one.bounds.upper,
        "more_good_parts": None if one.more is None else one.more.parts,
        "on_plates": None if one.more is None else one.more.plates,
    }


def _sentence(
    key: tuple[str, str, str],
    some: Sequence[_News],
    rows: Sequence[Mapping[str, Any]],
    found: Standings,
    names: Names,
) -> Sentence:
    """What changed, when and on which figures; the newest first."""
    newest = sorted(rows, key=lambda row: row["day"], reverse=True)
    told = [_told(row) for row in newest[:MOST_NAMED]]
    if (more := len(rows) - MOST_NAMED) > 0:
        told.append(counted(more, "and %(count)s more", "and %(count)s more"))
    newer = some[0].standing.rivals.newer
    if key[0] == "recipe" and newer is not None:
        recipe = names["recipe"].get(key[1], key[1])
        return _superseded(newer.revision.revision, recipe, names["machine"].get(key[2], key[2]), joined("; ", told))
    how, advice = _SAID[some[0].how]
    return sentence(
        "%(how)s at a first-pass yield of %(target)s %%: %(told)s; %(advice)s",
        how=how,
        target=figure(100 * found.rule.target, "g"),
        told=joined("; ", told),
        advice=advice,
    )


def _superseded(revision: str, recipe: str, machine: str, told: Sentence) -> Sentence:
    """What a new revision made lapse, on a machine where that is known."""
    if machine:
        return sentence(
            "revision %(revision)s of the recipe, %(recipe)s, is cut on %(machine)s: what the one before proved has "
            "lapsed, %(told)s; prove it with the new one",
            revision=revision,
            recipe=recipe,
            machine=machine,
            told=told,
        )
    return sentence(
        "revision %(revision)s of the recipe, %(recipe)s, is cut: what the one before proved has lapsed, %(told)s; "
        "prove it with the new one",
        revision=revision,
        recipe=recipe,
        told=told,
    )


def _told(row: Mapping[str, Any]) -> Sentence:
    told = counted(
        row["plates"],
        "%(cell)s since %(day)s, %(good)s of %(parts)s parts of %(count)s plate good",
        "%(cell)s since %(day)s, %(good)s of %(parts)s parts of %(count)s plates good",
        cell=told_of(row),
        day=row["day"],
        good=row["good"],
        parts=row["parts"],
    )
    if row["lower"] is None:
        return told
    low, high = (figure(100 * row[name], ".1f") for name in ("lower", "upper"))
    return sentence("%(told)s, yield between %(low)s%% and %(high)s%%", told=told, low=low, high=high)
