"""Recipes: two of them side by side, like with like; and of each kind of cut the best so far."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from flask import Response
from markupsafe import Markup

from service.asking import database, needs
from service.pages import terms
from service.pages.blueprint import blueprint, page_site, show, to
from service.pages.field_terms import field_name
from service.pages.figures import (
    Field,
    Parameters,
    Told,
    also_asked,
    asked_as,
    asked_parameters,
    certain,
    filter_field,
    plate_state,
    told,
)
from service.pages.languages import NOTHING, gettext, marked, money, number, percent
from service.pages.pictures import Point, intervals
from worker.reports.choices import choices
from worker.reports.dimensions import ASKED_UNKNOWN
from worker.reports.reading import open_site
from worker.reports.recipe_pairs import BETTER, NO_DIFFERENCE, WORSE
from worker.reports.recipe_settings import settings_beside

Row = Mapping[str, Any]
VERDICTS: Final = {
    BETTER: marked("better"),
    WORSE: marked("worse"),
    NO_DIFFERENCE: marked("no difference shown"),
}
_FILTERS: Final = ("thickness", "material", "machine", "gas")
_TASK: Final = ("thickness_mm", "material", "machine", "gas")


@blueprint.route("/recipes")
@needs("read")
def recipes() -> Response:
    """Show one comparison in full, and all others of the answer."""
    site, asked = page_site(), asked_parameters()
    with database().read() as connection:
        reader = open_site(connection, site)
        found = told(reader, "recipes", asked)
        pair = _most_telling(found.details["comparisons"])
        shown = pair or _alone(found.rows)
        names = [] if shown is None else [name for name in (shown["first"], shown["second"]) if name is not None]
        settings = settings_beside(reader, found.question, names) if names else []
        offered = choices(reader, ("recipe", *_FILTERS))
    strata = [] if shown is None else [row for row in found.rows if _is_of(row, shown)]
    return show(
        "recipes.html",
        site=site,
        found=found,
        pair=pair,
        shown=shown,
        names=names,
        place=None if shown is None else _place(shown),
        answer=_answer(found, pair),
        beside=[] if pair is None else list(_beside(pair, found.details["currency"])),
        settings=settings,
        setting_name=lambda name: field_name(name)[0],
        picture=_picture(found, strata, names) if strata else None,
        strata=strata,
        others=_others(found, pair, site),
        alone=[row for row in found.rows if row["second"] is None],
        otherwise=[row | {"different": _different(row["settings"])} for row in found.details["cut_otherwise"]],
        releases=to("pages.releases", site),
        currency=found.details["currency"],
        fields=_fields(offered, asked),
        also_asked=also_asked,
        state=plate_state,
        verdicts=VERDICTS,
        terms=terms,
    )


def _most_telling(comparisons: Sequence[Row]) -> Row | None:
    """The comparison that chance explains least."""
    return min(
        comparisons,
        key=lambda one: (one["verdict"] is None, one["q_value"] if one["q_value"] is not None else 1.0),
        default=None,
    )


def _alone(rows: Sequence[Row]) -> Row | None:
    """Where there is nothing to compare, the row that most parts tell of."""
    return max(rows, key=lambda row: row["first_parts"], default=None)


def _is_of(row: Row, shown: Row) -> bool:
    """Is a row of the pair that is shown? A pair over all kinds of cut has no thickness of its own."""
    same = all(row[name] == shown[name] for name in ("first", "second"))
    return same and (shown["thickness_mm"] is None or all(row[name] == shown[name] for name in _TASK))


def _different(settings: str | None) -> str:
    """Settings that were others, as people name them: each with its number of attempts behind it."""
    told = (one.partition(" ") for one in (settings or "").split(", ") if one)
    return ", ".join(f"{field_name(name)[0]} {many}" for name, _, many in told)


def _fields(offered: Mapping[str, Sequence[Any]], asked: Parameters) -> list[Field]:
    return [
        filter_field("first", gettext("Recipe"), offered["recipe"], asked, every=gettext("best so far")),
        filter_field("second", gettext("Against it"), offered["recipe"], asked, every=gettext("all others")),
        filter_field("thickness_mm", gettext("Thickness"), offered["thickness"], asked, unit="mm"),
        filter_field("material", gettext("Material"), offered["material"], asked),
        filter_field("machine", gettext("Machine"), offered["machine"], asked),
        filter_field("gas", gettext("Gas"), offered["gas"], asked, words=terms.GASES),
    ]


def _place(shown: Row) -> str:
    thickness = shown["thickness_mm"]
    words = [
        None if thickness is None else gettext("%(thickness)s mm", thickness=number(thickness)),
        shown["material"],
        shown["machine"],
        terms.said(terms.GASES, shown["gas"]) if shown["gas"] else None,
    ]
    return " · ".join(word for word in words if word is not None)


# --- the answer -------------------------------------------------------------------------------------------------


def _answer(found: Told, pair: Row | None) -> tuple[str, str | None]:
    """(the verdict in a sentence, what the report says to it in English)."""
    if not found.rows:
        return found.why_nothing, None
    if pair is None:
        return gettext("There is nothing to compare: of each kind of cut only one recipe was used."), None
    said = {"first": pair["first"], "second": pair["second"]}
    if pair["verdict"] is None or pair["difference"] is None:
        return gettext("Nothing tells which is better, %(first)s or %(second)s.", **said), pair["reason"]
    said |= {
        "points": number(abs(100 * pair["difference"]), 1),
        "low": _signed(pair["difference_low"], 100, 1),
        "high": _signed(pair["difference_high"], 100, 1),
    }
    sentences = {
        BETTER: gettext(
            "%(second)s is better than %(first)s: first-pass yield is %(points)s points higher, like with like "
            "(%(low)s to %(high)s).",
            **said,
        ),
        WORSE: gettext(
            "%(second)s is worse than %(first)s: first-pass yield is %(points)s points lower, like with like "
            "(%(low)s to %(high)s).",
            **said,
        ),
        NO_DIFFERENCE: gettext(
            "No difference in first-pass yield is shown between %(first)s and %(second)s: chance may explain the "
            "%(points)s points (%(low)s to %(high)s).",
            **said,
        ),
    }
    return sentences[pair["verdict"]], None


def _signed(value: float | None, times: float, digits: int) -> str:
    """A difference with its sign."""
    if value is None:
        return NOTHING
    shown = round(value * times, digits)
    sign = "+" if shown > 0 else "\u2212" if shown < 0 else ""
    return f"{sign}{number(abs(shown), digits)}"


# --- side by side -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Beside:
    """A figure of both. `certain`: chance does not explain the difference; None where that is not known."""

    text: str
    first: str
    second: str
    difference: str
    certain: bool | None


def _beside(pair: Row, currency: str | None) -> Iterator[Beside]:
    """What both do, like with like."""
    verdict = pair["verdict"]
    yield Beside(
        gettext("First-pass yield"),
        percent(pair["first_yield"]),
        percent(pair["second_yield"]),
        _gap(pair, "difference", gettext("%(points)s points"), 100, 1),
        None if verdict is None else verdict != NO_DIFFERENCE,
    )
    yield Beside(
        gettext("Failed pierces"),
        percent(pair["first_failed_pierce_rate"]),
        percent(pair["second_failed_pierce_rate"]),
        _gap(pair, "failed_pierce_difference", gettext("%(points)s points"), 100, 1),
        _excludes(pair, "failed_pierce_difference", 0.0),
    )
    yield Beside(
        gettext("Time of one pierce, s"),
        number(pair["first_pierce_seconds"]),
        number(pair["second_pierce_seconds"]),
        NOTHING,
        None,
    )
    for name, text in (
        ("seconds_per_metre", gettext("Machine time, seconds per metre")),
        ("seconds_per_part", gettext("Machine time, seconds per part")),
    ):
        yield Beside(
            text,
            number(pair[f"first_{name}"], 1),
            number(pair[f"second_{name}"], 1),
            _ratio(pair, f"{name}_ratio"),
            _excludes(pair, f"{name}_ratio", 1.0),
        )
    yield Beside(
        gettext("Rework so far, minutes per part"),
        number(pair["first_rework_minutes_per_part"], 2),
        number(pair["second_rework_minutes_per_part"], 2),
        _gap(pair, "rework_minutes_difference", gettext("%(points)s min"), 1, 2),
        _excludes(pair, "rework_minutes_difference", 0.0),
    )
    if currency is not None:
        yield Beside(
            gettext("Cost per good part"),
            money(pair["first_cost_per_good_part"], currency),
            money(pair["second_cost_per_good_part"], currency),
            NOTHING,
            None,
        )


def _gap(pair: Row, name: str, unit: str, times: float, digits: int) -> str:
    if pair[name] is None:
        return NOTHING
    gap = unit % {"points": _signed(pair[name], times, digits)}
    if pair[f"{name}_low"] is None or pair[f"{name}_high"] is None:
        return gap
    low, high = (_signed(pair[f"{name}_{end}"], times, digits) for end in ("low", "high"))
    return f"{gap} ({low} … {high})"


def _ratio(pair: Row, name: str) -> str:
    value, low, high = (pair[key] for key in (name, f"{name}_low", f"{name}_high"))
    if value is None:
        return NOTHING
    less = [None if one is None else one - 1 for one in (value, low, high)]
    return f"{_signed(less[0], 100, 1)} % ({_signed(less[1], 100, 1)} … {_signed(less[2], 100, 1)})"


def _excludes(pair: Row, name: str, nothing: float) -> bool | None:
    """Does the interval leave out that there is no difference?"""
    low, high = pair[f"{name}_low"], pair[f"{name}_high"]
    return None if low is None or high is None else not low <= nothing <= high


def _picture(found: Told, strata: Sequence[Row], names: Sequence[str]) -> Markup:
    """The yield of each, state of the plate by state of the plate."""
    points: list[Point] = []
    with_thickness = len({row["thickness_mm"] for row in strata}) > 1
    for row in strata:
        label = plate_state(row)
        if with_thickness:
            label = f"{gettext('%(thickness)s mm', thickness=number(row['thickness_mm']))} {label}"
        for one, mark in (("first", ""), ("second", "second"))[: len(names)]:
            figures = (row[f"{one}_yield"], row[f"{one}_yield_low"], row[f"{one}_yield_high"])
            points.append(Point(label if one == "first" else "", *figures, mark=mark))
    return intervals(
        points,
        name=gettext("First-pass yield of %(recipes)s", recipes=", ".join(names)),
        described=gettext(
            "First-pass yield for each state of the plate, with intervals at %(confidence)s; the table beneath has "
            "the figures.",
            confidence=certain(found.question.confidence),
        ),
        unit="percent",
        x_text=gettext("Plate"),
    )


def _others(found: Told, pair: Row | None, site: str) -> list[dict[str, Any]]:
    """All comparisons of the answer, each with where it is shown."""
    comparisons = found.details["comparisons"]
    if len(comparisons) < 2:
        return []
    kept = {name: values for name, values in found.parameters.items() if name not in ("first", "second", *_TASK)}
    return [
        {
            **one,
            "place": _place(one),
            "is_shown": one is pair,
            "address": to("pages.recipes", site, **kept | _asking(one)),
        }
        for one in comparisons
    ]


def _asking(one: Row) -> dict[str, list[str]]:
    """Parameters that ask for a comparison alone."""
    asked = {"first": [one["first"]], "second": [one["second"]]}
    if one["thickness_mm"] is None:
        return asked
    return asked | {name: [ASKED_UNKNOWN if one[name] is None else asked_as(one[name])] for name in _TASK}
