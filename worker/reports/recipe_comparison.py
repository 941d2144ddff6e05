"""Report recipes: is one recipe, or revision, better than another, like with like; and which is the best so far?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches
from typing import Any, Final

from worker.cautions import CAUTIONS
from worker.measures import E6, FAILED_PIERCES, FIRST_PASS, MINUTES, SHARE
from worker.reports.comparing import described, invented
from worker.reports.cut_otherwise import COLUMNS as CUT_OTHERWISE
from worker.reports.cut_otherwise import EXAMPLE, cut_otherwise
from worker.reports.derived_facts import explaining
from worker.reports.fact_bands import DETAILS as FACTS_DETAILS
from worker.reports.fact_bands import Explained
from worker.reports.fact_bands import example as facts_example
from worker.reports.fact_words import confounded_words
from worker.reports.options import NameOption
from worker.reports.process_parts import square
from worker.reports.questions import Question, QuestionUnanswerable, Wrong
from worker.reports.reading import MOST_ROWS, Reader, spellings
from worker.reports.recipe_cells import SUMMED, Cell, Read, Used, Worked, read_cells
from worker.reports.recipe_pairs import (
    BETTER,
    NO_DIFFERENCE,
    WORSE,
    Alike,
    Compared,
    Pairing,
    cost_per_good_part,
    last,
    most_telling,
    pairings_of,
    q_values,
    shared_out,
    usual_rework,
)
from worker.reports.recipe_words import Shown, said
from worker.reports.report import Column, Report
from worker.sentences import Sentence, joined, sentence
from worker.sites import Settings
from worker.stats.clustering import Clustered, estimate
from worker.stats.differences import Difference, newcombe
from worker.stats.ratios import Limits, limits_of, rate_of

FIRST: Final = NameOption(
    "first", "recipe that the others are held against, as name / revision", "recipe", "S355 oxygen 20 / A"
)
SECOND: Final = NameOption("second", "recipe that is held against the first", "recipe", "S355 oxygen 20 / B")
OPTIONS: Final = (FIRST, SECOND)
#: So many pairs, and recipes without another beside them, are told: more takes seconds, and nobody reads it.
MOST_PAIRS: Final = 200
ONE_ONLY: Final = sentence("only one of the two was cut so")
ALONE: Final = sentence("no other recipe was cut of this")
_OF_PLATES: Final = "interval by plates"


def _both(name: str, unit: str, what: str, interval: str = "") -> tuple[Column, ...]:
    """A figure of each of the two, with its limits where it has an interval."""
    ends = (("low", "lower"), ("high", "upper")) if interval else ()
    return tuple(
        column
        for one in ("first", "second")
        for column in (
            Column(f"{one}_{name}", unit, f"{what}, of the {one}"),
            *(Column(f"{one}_{name}_{end}", unit, f"{word} limit of the {interval}") for end, word in ends),
        )
    )


def _interval(name: str, unit: str, what: str, of: str) -> tuple[Column, ...]:
    return (
        Column(name, unit, what),
        *(
            Column(f"{name}_{end}", unit, f"{word} limit of {of}")
            for end, word in (("low", "lower"), ("high", "upper"))
        ),
    )


_WILSON: Final = "Wilson interval of the effective sample"
_TASK: Final = (
    Column("thickness_mm", "mm", "nominal thickness of the plate"),
    Column("material", "", "material, as first written", "text"),
    Column("machine", "", "machine, as first written", "text"),
    Column("gas", "", "cutting gas", "text"),
)
_RECIPES: Final = (
    Column("first", "", "recipe that is held against: the one named, else the best so far of its kind", "text"),
    Column("second", "", "recipe held against it; null: no other was cut of this", "text"),
)
_KEY: Final = (
    *_TASK,
    *_RECIPES,
    Column("surface_group", "", "clean or disturbed surface; null: not noted", "text"),
    Column("thermal_history", "", "hardened, thermal_edge or as_supplied; null: not noted", "text"),
)
#: Columns that say which row one is, in the order of the rows.
KEYS: Final = tuple(column.name for column in _KEY)
_PARTS: Final = "judged parts of first attempts"
_PER_METRE: Final = _both("seconds_per_metre", "s/m", "machine time of cuts from start to end by length", _OF_PLATES)
_PER_PART: Final = _both("rework_minutes_per_part", MINUTES, "unplanned rework so far by parts tried", _OF_PLATES)
_PIERCES: Final = _both("failed_pierce_rate", SHARE, "failed pierces by pierces, all attempts", _WILSON)
_COST: Final = _both("cost_per_good_part", "site's currency", "machine time, rework and scrap by good parts")
COLUMNS: Final = (
    *_KEY,
    *(Column(f"{one}_parts", "parts", f"{_PARTS}, of the {one}", "integer") for one in ("first", "second")),
    *(
        Column(f"{one}_plates", "", f"plates (else runs, else attempts) among those of the {one}", "integer")
        for one in ("first", "second")
    ),
    *_both("yield", SHARE, "first-pass yield", _WILSON),
    *_interval("difference", SHARE, "second less first yield", "Newcombe's interval of it"),
    *_PIERCES,
    *_PER_METRE,
    *_PER_PART,
    *_COST,
    Column("reason", "", "what the row lacks, or rests on", "text"),
)
_LIKE: Final = "like with like"
_COMPARISON: Final = (
    *_RECIPES,
    *_TASK,
    Column("verdict", "", f"the second's yield: {BETTER}, {WORSE} or {NO_DIFFERENCE}; null: nothing to tell", "text"),
    Column("method", "", "test of no difference: Cochran-Mantel-Haenszel, or the exact conditional one", "text"),
    Column("p_value", "", "chance of such a difference if both were alike; null: nothing to test"),
    Column("q_value", "", "the same after Benjamini and Hochberg, over all pairs that were looked at"),
    *_interval(
        "odds_ratio", "", "odds of a good part with the second over those with the first, common to all strata",
        "the Robins-Breslow-Greenland interval of it",
    ),
    Column("sameness_p_value", "", "Breslow-Day-Tarone: a small one says that strata differ in it"),
    Column("strata", "", "strata that tell something of the odds", "integer"),
    Column("strata_dropped", "", "strata of both with all parts alike", "integer"),
    *(
        Column(f"{one}_share_compared", SHARE, f"share of the parts of the {one} in strata that both were cut in")
        for one in ("first", "second")
    ),
    *_both("yield", SHARE, f"first-pass yield, {_LIKE}"),
    *_interval("difference", SHARE, f"second less first yield, {_LIKE}", "Newcombe's interval on weighted shares"),
    *_both("failed_pierce_rate", SHARE, f"failed pierces by pierces, {_LIKE}"),
    *_interval("failed_pierce_difference", SHARE, "second less first", "Newcombe's interval on weighted shares"),
    *_both("pierce_seconds", "s", "time of one pierce, as set on most attempts"),
    *_both("seconds_per_metre", "s/m", f"machine time of cuts from start to end by length, {_LIKE}"),
    *_interval("seconds_per_metre_ratio", "", "second over first", "the interval by plates"),
    *_both("seconds_per_part", "s", f"machine time of cuts from start to end by parts, {_LIKE}"),
    *_interval("seconds_per_part_ratio", "", "second over first", "the interval by plates"),
    *_both("rework_minutes_per_part", MINUTES, f"unplanned rework so far by parts tried, {_LIKE}"),
    *_interval("rework_minutes_difference", MINUTES, "second less first", "the interval by plates"),
    *_both("cost_per_good_part", "site's currency", f"machine time, rework and scrap by good parts, {_LIKE}"),
    Column("reason", "", "what the comparison lacks, or rests on", "text"),
)  # fmt: skip
_SETTING: Final = (
    *_RECIPES,
    Column("setting", "", "setting whose usual value differs, with its unit; without a second: each", "text"),
    Column("first_value", "", "its value on most attempts with the first; null: not told"),
    Column("first_share", SHARE, "share of the attempts with the first that had it"),
    Column("second_value", "", "its value on most attempts with the second; null: not told"),
    Column("second_share", SHARE, "share of the attempts with the second that had it"),
)
DETAILS: Final = (
    Column("comparisons", "", "each pair over all strata that both were cut in", "list", _COMPARISON),
    Column("settings", "", "what the recipes of each pair set otherwise", "list", _SETTING),
    Column("cut_otherwise", "", "of each release: cuts as released, and others", "list", CUT_OTHERWISE),
    Column("currency", "", "currency of the costs; null: the site has not set its rates", "text"),
    Column("pairs", "", "pairs that the q values allow for", "integer"),
    Column("left_out", "", f"pairs left out beyond {MOST_PAIRS}: those with the fewest parts to compare", "integer"),
    Column("parts_without_recipe", "parts", "judged parts cut with settings that nobody named", "integer"),
    Column("parts_not_known", "parts", "judged parts of a thickness that is not known", "integer"),
    *FACTS_DETAILS,
)


def recipe_comparison(reader: Reader, question: Question) -> Report:
    """The first recipe against the second, against all others, or of each kind of cut the best so far against the rest.

    Raises QuestionUnanswerable for a second without a first, and for the same recipe twice.
    """
    first, second = _asked(reader, question)
    read = read_cells(reader, question, None if first is None or second is None else {first, second})
    names = {kind: spellings(reader, kind) for kind in ("material", "machine", "recipe")}
    good = Clustered.total(cell.good for strata in read.cells.values() for cell in strata.values())
    facts = explaining(reader, square(reader, question)[0], good, keys=KEYS)
    return _answer(reader, question, read, names, cut_otherwise(reader, question, names), facts)


def _asked(reader: Reader, question: Question) -> tuple[str | None, str | None]:
    """Keys of the two recipes."""
    told = [question.options[option.name] for option in OPTIONS]
    first, second = (name and reader.calendar.latest.key_of("recipe", name) for name in told)
    if second is not None and first is None:
        wrong = sentence("is missing; second names the recipe that is held against it")
        raise QuestionUnanswerable([Wrong("first", wrong)])
    if first is not None and first == second:
        wrong = sentence("is the same recipe as first, %(name)s; name another one", name=repr(told[1][:60]))
        raise QuestionUnanswerable([Wrong("second", wrong)])
    return first, second


def _answer(
    reader: Reader,
    question: Question,
    read: Read,
    names: Mapping[str, Mapping[str, str]],
    apart: Sequence[Mapping[str, Any]],
    facts: Explained,
) -> Report:
    first, second = _asked(reader, question)
    confidence, shown, alike = question.confidence, Shown(names), Alike.of(read)
    pairings, looked_at = pairings_of(read, first, second, alike, confidence=confidence)
    told_of = most_telling(read, pairings, MOST_PAIRS)
    if (most := sum(len(pairing.strata) for pairing in told_of)) > MOST_ROWS:
        told = sentence(
            "gives %(rows)s rows where it is left out; ask for at most %(most)s: name one, or filter by thickness",
            rows=most,
            most=MOST_ROWS,
        )
        raise QuestionUnanswerable([Wrong("second" if first else "first", told)])
    settings = reader.calendar.on(question.last_day)
    rows = [row for pairing in told_of for row in _rows(read, pairing, shown, settings, alike, confidence=confidence)]
    rows.sort(key=lambda row: [last(row[name]) for name in KEYS])
    pairs = [
        Compared.of(read, pairing, settings, alike, confidence=confidence) for pairing in told_of if pairing.second
    ]
    told_pairs = list(zip(pairs, q_values(pairs, looked_at), strict=True))
    currencies = reader.currencies(question)
    details = {
        "comparisons": [_comparison(pair, q, shown, confidence=confidence) for pair, q in told_pairs],
        "settings": [row for pairing in told_of for row in _settings(read, pairing, shown)],
        "cut_otherwise": list(apart),
        "currency": next(iter(currencies)) if len(currencies) == 1 else None,
        "pairs": looked_at,
        "left_out": len(pairings) - len(told_of),
        "parts_without_recipe": read.without_recipe,
        "parts_not_known": read.without_thickness,
        **facts.details,
    }
    notes = [
        *_not_cut(reader, question, read, shown),
        *_left_out(len(pairings) - len(told_of)),
        *said(read, told_pairs, pairings, shown, confidence=confidence),
        *confounded_words(facts),
        *read.notes,
    ]
    return described(
        "recipes",
        reader,
        question,
        columns=COLUMNS,
        rows=rows,
        details=details,
        notes=notes,
        cautions=CAUTIONS,
    )


def _left_out(pairs: int) -> Iterator[Sentence]:
    if pairs:
        yield sentence(
            "%(pairs)s pairs are left out, those with the fewest parts to compare; q values allow for them: name a "
            "recipe as first, or filter by thickness, material or machine",
            pairs=pairs,
        )


def _not_cut(reader: Reader, question: Question, read: Read, shown: Shown) -> Iterator[Sentence]:
    """Recipes that were asked for and not cut, with what comes near."""
    cut = [shown.recipe(key) or key for key in sorted(read.seen)]
    for name in (question.options[option.name] for option in OPTIONS):
        if name is not None and reader.calendar.latest.key_of("recipe", name) not in read.cells:
            near = get_close_matches(name, cut, n=3, cutoff=0.4)
            if near:
                yield sentence(
                    "nothing was cut with %(recipe)s in this window under these filters; near are %(near)s",
                    recipe=name,
                    near=joined(", ", near),
                )
            else:
                yield sentence(
                    "nothing was cut with %(recipe)s in this window under these filters; one with a revision is named "
                    "as name / revision",
                    recipe=name,
                )


# --- rows -------------------------------------------------------------------------------------------------------


def _rows(
    read: Read, pairing: Pairing, shown: Shown, settings: Settings, alike: Alike, *, confidence: float
) -> Iterator[dict[str, Any]]:
    for stratum in pairing.strata:
        first, second = cells = pairing.cells(read, stratum)
        row = shown.stratum(stratum)
        row |= {"first": shown.recipe(pairing.first), "second": shown.recipe(pairing.second)}
        usual = usual_rework(cells)
        for one, cell in zip(("first", "second"), cells, strict=True):
            row |= _of_cell(one, cell, alike, usual=usual, confidence=confidence)
            row[f"{one}_cost_per_good_part"] = cost_per_good_part(cell, stratum, settings)
        found = newcombe(*(shared_out(cell.good, alike.parts) for cell in (second, first)), confidence=confidence)
        row |= _limits("difference", found)
        row["reason"] = (
            (ONE_ONLY if not (first.good.n and second.good.n) else found.reason) if pairing.second else ALONE
        )
        yield {column.name: row[column.name] for column in COLUMNS}


def _of_cell(one: str, cell: Cell, alike: Alike, *, usual: float | None, confidence: float) -> dict[str, Any]:
    """What a row says of the first, or of the second."""
    good, failed = (
        estimate(shared_out(counts, correlated), confidence=confidence)
        for counts, correlated in ((cell.good, alike.parts), (cell.failed_pierces, alike.pierces))
    )
    return {
        f"{one}_parts": round(cell.good.n),
        f"{one}_plates": cell.good.clusters,
        f"{one}_yield": good.share,
        f"{one}_yield_low": good.low,
        f"{one}_yield_high": good.high,
        f"{one}_failed_pierce_rate": failed.share,
        f"{one}_failed_pierce_rate_low": failed.low,
        f"{one}_failed_pierce_rate_high": failed.high,
        **_limits(f"{one}_seconds_per_metre", limits_of(rate_of(cell.seconds_per_metre), confidence=confidence)),
        **_limits(
            f"{one}_rework_minutes_per_part",
            limits_of(rate_of(cell.rework_per_part), confidence=confidence, usual=usual),
        ),
    }


def _limits(name: str, found: Limits | Difference) -> dict[str, float | None]:
    value = found.value if isinstance(found, Limits) else found.difference
    return {name: value, f"{name}_low": found.low, f"{name}_high": found.high}


# --- details ----------------------------------------------------------------------------------------------------


def _comparison(pair: Compared, q: float | None, shown: Shown, *, confidence: float) -> dict[str, Any]:
    """What the details say of a pair."""
    told: dict[str, Any] = dict.fromkeys(column.name for column in _COMPARISON)
    told |= {"first": shown.recipe(pair.pairing.first), "second": shown.recipe(pair.pairing.second)}
    if pair.pairing.task is not None:
        told |= shown.stratum(pair.pairing.task)
    found = pair.comparison
    told |= {
        "verdict": pair.verdict(q, confidence=confidence),
        "method": found.method,
        "p_value": found.p,
        "q_value": q,
        "odds_ratio": found.common.odds_ratio,
        "odds_ratio_low": found.common.low,
        "odds_ratio_high": found.common.high,
        "sameness_p_value": found.sameness.p,
        "strata": found.strata,
        "strata_dropped": found.dropped,
        "reason": pair.reason,
    }
    pierce_seconds = tuple(None if used is None else used.value("pierce_seconds") for used in pair.used)
    for name, (first, second) in (
        ("share_compared", pair.shares),
        ("yield", pair.yields),
        ("failed_pierce_rate", pair.failed_pierces),
        ("pierce_seconds", pierce_seconds),
        ("seconds_per_metre", pair.per_metre.both),
        ("seconds_per_part", pair.per_part.both),
        ("rework_minutes_per_part", pair.rework.both),
        ("cost_per_good_part", pair.costs),
    ):
        told |= {f"first_{name}": first, f"second_{name}": second}
    for name, limits in (
        ("difference", found.difference),
        ("failed_pierce_difference", pair.pierces),
        ("seconds_per_metre_ratio", pair.per_metre_ratio),
        ("seconds_per_part_ratio", pair.per_part_ratio),
        ("rework_minutes_difference", pair.rework_difference),
    ):
        told |= _limits(name, limits)
    return told


def _settings(read: Read, pairing: Pairing, shown: Shown) -> Iterator[dict[str, Any]]:
    """Settings whose usual value differs, by name; of a recipe without another beside it all."""
    used = (read.used.get(pairing.first), read.used.get(pairing.second or ""))
    first, second = ({} if one is None else one.values for one in used)
    nothing = (None, None)
    for setting in sorted({*first, *second}):
        one, other = first.get(setting, nothing), second.get(setting, nothing)
        if one[0] != other[0]:
            yield {
                "first": shown.recipe(pairing.first),
                "second": shown.recipe(pairing.second),
                "setting": setting,
                "first_value": one[0],
                "first_share": one[1],
                "second_value": other[0],
                "second_share": other[1],
            }


# --- for the document -------------------------------------------------------------------------------------------


def example(reader: Reader, question: Question) -> Report:
    """Two revisions of one recipe on clean and on disturbed plate, invented."""
    clean = (20_000_000, "s355", "laser 1", "oxygen", "clean", "as_supplied")
    disturbed = (*clean[:4], "disturbed", "as_supplied")
    revisions = {
        "s355 oxygen 20 / a": {clean: (80, 76, 8, 90, 0), disturbed: (40, 32, 4, 96, 500)},
        "s355 oxygen 20 / b": {clean: (80, 74, 8, 78, 900), disturbed: (80, 60, 8, 84, 1_500)},
    }
    cells = {
        recipe: {stratum: _invented(*told) for stratum, told in strata.items()} for recipe, strata in revisions.items()
    }
    used = {
        recipe: Used("2026-03-02", "2026-03-08", {"feed_mm_min": (feed, 1.0), "pierce_seconds": (seconds, 0.9)})
        for (recipe, feed, seconds) in (("s355 oxygen 20 / a", 900, 1.5), ("s355 oxygen 20 / b", 1_020, 1.1))
    }
    names: dict[str, dict[str, str]] = {"recipe": {}, "material": {}, "machine": {}}
    read = Read(cells, used, frozenset(cells), 12, 0, [])
    return _answer(reader, question, read, names, [EXAMPLE], facts_example(confidence=question.confidence))


def _invented(parts: int, good: int, plates: int, seconds: int, rework_e3: int) -> Cell:
    counts = invented(parts=parts, good=good, plates=plates)
    each = parts // plates
    sums = dict.fromkeys(SUMMED, 0) | {
        FAILED_PIERCES.x: plates, FAILED_PIERCES.n: 5 * parts, FAILED_PIERCES.clusters: plates,
        FAILED_PIERCES.n2: plates * (5 * each) ** 2, FAILED_PIERCES.x2_over_n_e6: E6 * plates // (5 * each),
    }  # fmt: skip
    cell = Cell(FIRST_PASS.counts(counts), FAILED_PIERCES.counts(sums), sums)
    for plate in range(plates):
        took = 1_000 * seconds * each + 4_000 * (plate % 3)
        cell.plates[f"plate:{plate}"] = Worked(took, 10**9 * each, took, each, rework_e3 * each * (plate % 2), each)
    return cell
