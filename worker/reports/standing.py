"""Report standing: what may be promised at each thickness?"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any, Final

import numpy as np

from worker.cautions import CAUTIONS
from worker.reports.comparing import described
from worker.reports.dimensions import DIMENSIONS
from worker.reports.holding import AGED, FELL_BACK, MARGIN, OPEN, PROVEN, RULED_OUT, STANDINGS, Daily, courses
from worker.reports.process_parts import CELL_NAMES, ProcessParts
from worker.reports.questions import Question, QuestionUnanswerable, Wrong
from worker.reports.reading import MOST_ROWS, Reader, spellings
from worker.reports.report import Column, Report
from worker.reports.standings import TARGET, Standing, Standings, assessed, rule_of, standings
from worker.sentences import Sentence, counted, figure, joined, sentence
from worker.stats.against_target import TAKEN_TOGETHER, Counts
from worker.stats.clustering import NOTHING_JUDGED, Clustered, Correlation
from worker.stats.demonstration import TOO_MANY

#: By kind of name: key -> spelling.
Names = Mapping[str, Mapping[str, str]]
OPTIONS: Final = (TARGET,)
#: So many of the rows that lack least are told in a sentence.
_NEAREST: Final = 3
#: Gases as sentences name them.
GASES: Final[dict[str, str]] = {
    "oxygen": sentence("oxygen"),
    "nitrogen": sentence("nitrogen"),
    "air": sentence("air"),
    "argon": sentence("argon"),
    "mixture": sentence("mixture"),
}
#: And the surfaces and thermal histories.
_WORDS: Final[Mapping[str, str]] = GASES | {
    "clean": sentence("clean"),
    "disturbed": sentence("disturbed"),
    "as_supplied": sentence("as supplied"),
    "thermal_edge": sentence("thermal edge"),
    "hardened": sentence("hardened"),
    "unknown": sentence("unknown"),
}
NAMED: Final = ("material", "machine", "recipe")
KEYS: Final = tuple(DIMENSIONS[name].label for name in CELL_NAMES)
_DIMENSIONS: Final = tuple(
    Column(DIMENSIONS[name].label, DIMENSIONS[name].unit, DIMENSIONS[name].definition,
           "text" if DIMENSIONS[name].is_text else "number")
    for name in CELL_NAMES
)  # fmt: skip
COLUMNS: Final = (
    *_DIMENSIONS,
    Column("standing", "", f"{', '.join(STANDINGS)}: what the parts of the window prove of the target", "text"),
    Column(
        "since", "",
        "production day since which it stands so, one to come where a window that reaches ahead lets parts grow too "
        "old; null: since more than 4 weeks before the window", "text",
    ),
    Column("parts", "parts", "judged parts of first attempts in the window", "integer"),
    Column("good", "parts", "those among them that were good at once", "integer"),
    Column("plates", "", "plates (else runs, else attempts) that these are of", "integer"),
    Column("yield", "share (0-1)", "first-pass yield of these"),
    Column(
        "lower", "share (0-1)",
        "exact one-sided lower bound, all confidence on its side: the better one of the effective sample's and of that "
        "of plates all of whose parts are good",
    ),
    Column("upper", "share (0-1)", "exact one-sided upper bound of the effective sample, all confidence on its side"),
    Column(
        "more_good_parts", "parts",
        "so many more parts, all good, would bring the lower bound to the target; 0: it is there; null: ruled out, "
        "or another revision is cut in its place", "integer",
    ),
    Column("on_plates", "", "least plates (else runs, else attempts) that these are to be spread over", "integer"),
    Column("reason", "", "why it stands so, or what its bounds rest on", "text"),
)  # fmt: skip
_THICKEST: Final = (
    Column("material", "", "material, as first written", "text"),
    Column("machine", "", "machine, as first written", "text"),
    Column("gas", "", "cutting gas", "text"),
    Column("thickness_mm", "mm", "thickest that is proven, on whatever plate and with whatever recipe"),
)
DETAILS: Final = (
    Column("target", "share (0-1)", "first-pass yield to be proven"),
    Column("proven", "", "rows that are proven", "integer"),
    Column("ruled_out", "", "rows that are ruled out", "integer"),
    Column("open", "", "rows that are open", "integer"),
    Column("correlation", "", "how alike parts of one plate are, over all rows, -1 to 1; null: not known, 1 is taken"),
    Column("parts_lost_otherwise", "parts", "left out: lost to a confirmed cause that is not the process", "integer"),
    Column("bevelled_attempts", "", "first attempts left out for their bevel", "integer"),
    Column("parts_without_thickness", "parts", "left out: nobody told their thickness", "integer"),
    Column("thickest_proven", "", "the thickest that is proven on each machine", "list", _THICKEST),
)


def standing(reader: Reader, question: Question) -> Report:
    """Where each thickness of a material stands on a machine, by gas, plate and recipe, against the target."""
    found = standings(reader, question)
    if len(found.standings) > MOST_ROWS:
        told = sentence(
            "gives %(rows)s rows; ask for at most %(most)s: for fewer days, or with a filter",
            rows=len(found.standings),
            most=MOST_ROWS,
        )
        raise QuestionUnanswerable([Wrong("last", told)])
    return _answer(reader, question, found, {kind: spellings(reader, kind) for kind in NAMED})


def _answer(reader: Reader, question: Question, found: Standings, names: Names) -> Report:
    rows = [shown(one, names) | _row(one, found.rule.target) for one in found.standings]
    rows.sort(key=lambda row: [(row[key] is None, 0 if row[key] is None else row[key]) for key in KEYS])
    words = Counter(one.word for one in found.standings)
    details = {
        "target": found.rule.target,
        **{word: words[word] for word in STANDINGS},
        "correlation": None if found.rule.pooled is None else float(found.rule.pooled),
        "parts_lost_otherwise": found.parts.lost_otherwise,
        "bevelled_attempts": found.parts.bevelled,
        "parts_without_thickness": found.without_thickness,
        "thickest_proven": _thickest(rows),
    }
    return described(
        "standing",
        reader,
        question,
        columns=COLUMNS,
        rows=rows,
        details=details,
        notes=[*_said(rows, found, question), *found.parts.notes],
        cautions=CAUTIONS,
    )


# --- rows -------------------------------------------------------------------------------------------------------


def shown(one: Standing, names: Names) -> dict[str, Any]:
    """The columns that say which cell it is."""
    values: dict[str, Any] = {}
    for name, stored in zip(CELL_NAMES, one.cell, strict=True):
        value = DIMENSIONS[name].show(stored)
        values[DIMENSIONS[name].label] = names[name].get(stored, value) if name in NAMED else value
    return values


def _row(one: Standing, target: float) -> dict[str, Any]:
    change, more = one.last_change, one.more
    return {
        "standing": one.word,
        "since": None if change is None else date.fromordinal(change.day).isoformat(),
        "parts": round(one.counts.n),
        "good": round(one.counts.x),
        "plates": one.plates,
        "yield": one.counts.x / one.counts.n if one.counts.n else None,
        "lower": one.bounds.lower,
        "upper": one.bounds.upper,
        "more_good_parts": None if more is None else more.parts,
        "on_plates": None if more is None else more.plates,
        "reason": joined("; ", reasons) if (reasons := list(_reasons(one, target))) else None,
    }


def _reasons(one: Standing, target: float) -> Iterator[str]:
    change = one.last_change
    newer, older = one.rivals.newer, one.rivals.older
    if one.word == OPEN and newer:
        yield sentence(
            "lapsed: revision %(revision)s is cut since %(day)s", revision=newer.revision.revision, day=newer.first_day
        )
    elif one.word == OPEN and older:
        yield sentence(
            "given up: revision %(revision)s is cut again since %(day)s",
            revision=older.revision.revision,
            day=older.first_day,
        )
    elif one.word == OPEN and change and change.why == FELL_BACK:
        yield sentence(
            "fell back on %(day)s: its lower bound came more than %(margin)s under the target",
            day=date.fromordinal(change.day),
            margin=figure(MARGIN, "g"),
        )
    elif one.word == OPEN and change and change.why == AGED:
        yield sentence(
            "lapsed on %(day)s: parts that proved it are older than the window is long",
            day=date.fromordinal(change.day),
        )
    if one.word == PROVEN and not one.at_target:
        yield sentence(
            "still holds: its lower bound is under the target by no more than %(margin)s", margin=figure(MARGIN, "g")
        )
    if one.plates == 1 and (one.word == RULED_OUT or (one.bounds.lower or 0.0) >= target):
        yield sentence("all parts are of one plate: that tells little of the next")
    if one.bounds.reason in (TAKEN_TOGETHER, NOTHING_JUDGED):
        yield one.bounds.reason
    if one.more and one.more.reason == TOO_MANY:
        yield TOO_MANY


def _thickest(rows: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Of each material on each machine with each gas; rows come in order of thickness."""
    found: dict[tuple[Any, ...], float] = {}
    for row in rows:
        if row["standing"] == PROVEN:
            found[row["material"], row["machine"], row["gas"]] = row["thickness_mm"]
    ordered = sorted(found, key=lambda key: [(name is None, name or "") for name in key])
    return [
        dict(zip(("material", "machine", "gas"), key, strict=True)) | {"thickness_mm": found[key]} for key in ordered
    ]


# --- sentences --------------------------------------------------------------------------------------------------


def told_of(row: Mapping[str, Any]) -> Sentence:
    """Which cell a row is, in words; what is not known of it is left out."""
    within = list(_conditions(row))
    return sentence("%(cut)s (%(conditions)s)", cut=_cut(row), conditions=joined(", ", within)) if within else _cut(row)


def _cut(row: Mapping[str, Any]) -> Sentence:
    thickness, material, machine = figure(row["thickness_mm"], "g"), row["material"], row["machine"]
    if material and machine:
        return sentence(
            "%(thickness)s mm of %(material)s on %(machine)s", thickness=thickness, material=material, machine=machine
        )
    if material:
        return sentence("%(thickness)s mm of %(material)s", thickness=thickness, material=material)
    if machine:
        return sentence("%(thickness)s mm on %(machine)s", thickness=thickness, machine=machine)
    return sentence("%(thickness)s mm", thickness=thickness)


def _conditions(row: Mapping[str, Any]) -> Iterator[str]:
    for word in (row["gas"], row["surface_group"], row["thermal_history"]):
        if word:
            yield _WORDS.get(word, str(word).replace("_", " "))
    if row["recipe"]:
        yield sentence("recipe %(recipe)s", recipe=row["recipe"])


def _said(rows: Sequence[Mapping[str, Any]], found: Standings, question: Question) -> Iterator[str]:
    words = Counter(row["standing"] for row in rows)
    if not rows:
        yield (
            sentence("nothing was judged here that a promise could rest on")
            if found.parts.question.without_days
            else sentence("nothing was cut here that a promise could rest on")
        )
        return
    yield sentence(
        "%(proven)s proven, %(ruled_out)s ruled out, %(open)s open, against a first-pass yield of %(target)s %% at a "
        "one-sided confidence of %(confidence)s %%, each row by itself",
        proven=words[PROVEN],
        ruled_out=words[RULED_OUT],
        open=words[OPEN],
        target=figure(100 * found.rule.target, "g"),
        confidence=figure(100 * question.confidence, "g"),
    )
    near = [row for row in rows if row["standing"] == OPEN and row["more_good_parts"]]
    for row in sorted(near, key=lambda row: int(row["more_good_parts"]))[:_NEAREST]:
        yield sentence(
            "prove %(cell)s with %(parts)s, on at least %(plates)s",
            cell=told_of(row),
            parts=counted(row["more_good_parts"], "%(count)s more good part", "%(count)s more good parts"),
            plates=counted(row["on_plates"], "%(count)s plate", "%(count)s plates"),
        )
    if words[PROVEN]:
        yield sentence(
            "what is proven stays so while its lower bound is no more than %(margin)s under the target; it lapses when "
            "that was at the target longer ago than the window is long, and when a newer revision of the recipe is "
            "cut, until the older one is cut again",
            margin=figure(MARGIN, "g"),
        )
    if words[RULED_OUT]:
        yield sentence("ruled out is said of the settings tried: another recipe, gas or surface may do better")
    if any(row["reason"] and TAKEN_TOGETHER in row["reason"] for row in rows):
        yield TAKEN_TOGETHER
    if found.without_thickness:
        yield counted(
            found.without_thickness,
            "%(count)s part is left out: nobody told their thickness",
            "%(count)s parts are left out: nobody told their thickness",
        )
    if found.days_without_history:
        yield counted(
            found.days_without_history,
            "%(count)s production day before the window left out of what stood then, since more than 5 %% of the parts "
            "are pending",
            "%(count)s production days before the window left out of what stood then, since more than 5 %% of the "
            "parts are pending",
        )


# --- the document -----------------------------------------------------------------------------------------------


def example(reader: Reader, question: Question) -> Report:
    """Four thicknesses of one material, invented."""
    told = {20: (60, 60, 12), 25: (60, 56, 12), 28: (15, 15, 3), 40: (40, 24, 8)}
    counts: dict[tuple[Any, ...], Clustered] = {}
    cells: dict[tuple[Any, ...], Daily] = {}
    first = question.first_day.toordinal()
    for thickness, (parts, good, plates) in told.items():
        cell = (thickness * 1_000_000, "S355", "Laser 1", "oxygen", "clean", "as_supplied", f"S355-{thickness} / B")
        n2 = parts * parts // plates
        counts[cell] = Clustered(good, parts, plates, n2, good * good / parts)
        cells[cell] = Daily(np.array([first]), Counts(*(np.array([one]) for one in (good, parts, plates, n2))))
    rule = rule_of(question, Correlation(0.1, degrees=31))
    run = dict(zip(cells, courses(list(cells.values()), rule), strict=True))
    whole = ProcessParts({}, 0, 0, {"production": 175}, question, [])
    found = Standings(assessed(run, rule, counts=counts, rivals={}), rule, whole, 0, 0)
    return _answer(reader, question, found, {kind: {} for kind in NAMED})
