"""The limit: how thick a machine can cut in production, and what proves the next thickness."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

from flask import Response
from markupsafe import Markup

from service.asking import database, needs
from service.pages import terms
from service.pages.blueprint import blueprint, page_site, show, to
from service.pages.facts import address_of_dossier
from service.pages.figures import (
    CONFIDENCES,
    TARGETS,
    Field,
    Parameters,
    Told,
    also_asked,
    asked_parameters,
    certain,
    filter_field,
    of_these,
    plate_state,
    share_field,
    told,
)
from service.pages.languages import gettext, marked, ngettext, number, percent
from service.pages.pictures import Point, curve
from service.pages.terms import GASES, PURPOSES, SURFACES, THERMAL_HISTORIES, said
from worker.proof_standing import DECIDED
from worker.reports.choices import choices
from worker.reports.dimensions import ASKED_UNKNOWN
from worker.reports.next_proof import next_to_prove
from worker.reports.questions import filter_names
from worker.reports.reading import open_site

Row = Mapping[str, Any]
#: What tells one curve from another, and the state of the plate upon it.
_CUT: Final = ("material", "machine", "gas")
_STATE: Final = ("surface_group", "thermal_history")
PROOF_STATES: Final = {
    "planned": marked("planned"),
    "running": marked("running"),
    "passed": marked("passed"),
    "failed": marked("failed"),
}


@blueprint.route("/limit")
@needs("read")
def limit() -> Response:
    """Show one limit with its curve, the standing of each thickness, and what else there is to show."""
    site, asked = page_site(), asked_parameters()
    with database().read() as connection:
        reader = open_site(connection, site)
        limits = told(reader, "limit", asked)
        row = _most_told(limits.rows)
        # All that was asked, though of cuts for any purpose that report standing counts; and of the cut that is shown.
        filters = filter_names().keys() - {"purpose"}
        of_cut = of_these(asked, "target", "confidence", *filters) | ({} if row is None else _asking(row, _CUT))
        standing = told(reader, "standing", of_cut)
        proofs = told(reader, "proof", of_these(asked, "material", "machine"))
        offered = choices(reader, (*_CUT, *_STATE))
    return show(
        "limit.html",
        site=site,
        limits=limits,
        row=row,
        place=None if row is None else place_of(row),
        answer=_answer(limits, row),
        picture=None if row is None else _picture(limits, row),
        points=[] if row is None else _of_row(limits.details["points"], row),
        others=_others(limits, row, site),
        standing=standing,
        next_proof=_next(standing, row),
        proofs=proofs,
        running=[one for one in proofs.rows if one["state"] not in DECIDED],
        decided=[
            one | {"address": address_of_dossier(one["proof"], one["state"], site)}
            for one in proofs.rows
            if one["state"] in DECIDED
        ],
        fields=_fields(limits, offered, asked),
        also_asked=also_asked,
        proof_states=PROOF_STATES,
        state=plate_state,
        certain=certain,
        terms=terms,
    )


def _most_told(rows: Sequence[Row]) -> Row | None:
    """The row that most parts tell of."""
    return max(rows, key=lambda row: row["parts"], default=None)


def _asking(row: Row, names: Sequence[str]) -> dict[str, list[str]]:
    """Filters that ask for a row alone."""
    return {name: [ASKED_UNKNOWN if row[name] is None else str(row[name])] for name in names}


def _of_row(entries: Sequence[Row], row: Row) -> list[Row]:
    return [entry for entry in entries if all(entry[name] == row[name] for name in (*_CUT, *_STATE))]


def place_of(row: Row) -> str:
    """Where a row holds, in words."""
    gas = said(GASES, row["gas"]) if row["gas"] else gettext("gas not noted")
    words = (row["material"], row["machine"], gas, plate_state(row))
    return " · ".join(str(word) for word in words if word is not None)


def _fields(limits: Told, offered: Mapping[str, Sequence[Any]], asked: Parameters) -> list[Field]:
    question = limits.question
    return [
        filter_field("material", gettext("Material"), offered["material"], asked),
        filter_field("machine", gettext("Machine"), offered["machine"], asked),
        filter_field("gas", gettext("Gas"), offered["gas"], asked, words=GASES),
        filter_field("surface_group", gettext("Surface"), offered["surface_group"], asked, words=SURFACES),
        filter_field("thermal_history", gettext("Edges"), offered["thermal_history"], asked, words=THERMAL_HISTORIES),
        filter_field("purpose", gettext("Cut for"), PURPOSES, asked, words=PURPOSES),
        share_field("target", gettext("Good the first time"), TARGETS, question.options["target"]),
        share_field("confidence", gettext("Certainty"), CONFIDENCES, question.confidence),
    ]


# --- the answer -------------------------------------------------------------------------------------------------


def _answer(limits: Told, row: Row | None) -> list[tuple[str, str | None]]:
    """(sentence, what the report says to it in English) each: what can be promised, and what is proven."""
    if row is None:
        return [(limits.why_nothing, None)]
    told_answer = [_promise(limits, row)]
    if row["promised_mm"] is None and (best := _best(_of_row(limits.details["points"], row))) is not None:
        told_answer.append((best, None))
    if row["proven_mm"] is None:
        told_answer.append((gettext("No thickness is proven by its own parts yet."), None))
    else:
        proven = gettext(
            "%(thickness)s mm is proven by its own parts: at least %(share)s of them good the first time.",
            thickness=number(row["proven_mm"]),
            share=percent(row["proven_share"]),
        )
        told_answer.append((proven, None))
    return told_answer


def _promise(limits: Told, row: Row) -> tuple[str, str | None]:
    target, confidence = certain(limits.details["target"]), certain(limits.question.confidence)
    if row["promised_mm"] is None:
        sentence = gettext("No thickness can be promised for %(target)s good the first time.", target=target)
        return sentence, row["promised_reason"] or row["reason"]
    sentence = gettext(
        "Up to %(thickness)s mm can be promised: at least %(target)s of the parts come out good the first time, "
        "with a certainty of %(confidence)s.",
        thickness=number(down_to_tenth(row["promised_mm"])),
        target=target,
        confidence=confidence,
    )
    if row["promised_mm"] == row["thickest_mm"]:
        return f"{sentence} {gettext('That is the thickest that was tried.')}", None
    return sentence, row["promised_reason"]


def down_to_tenth(thickness_mm: float) -> float:
    """A promise is never rounded up."""
    return math.floor(10 * thickness_mm + 1e-6) / 10


def _best(points: Sequence[Row]) -> str | None:
    """The highest lower bound that any thickness has."""
    bounded = [point for point in points if point["lower_bound"]]
    if not bounded:
        return None
    best = max(bounded, key=lambda point: (point["lower_bound"], point["thickness_mm"]))
    return gettext(
        "The best that is shown: at %(thickness)s mm at least %(share)s are good the first time "
        "(%(good)s of %(parts)s parts).",
        thickness=number(best["thickness_mm"]),
        share=percent(best["lower_bound"]),
        good=number(best["good"]),
        parts=number(best["parts"]),
    )


def _next(standing: Told, row: Row | None) -> str | None:
    """What proves the next thickness on plate such as that of the row."""
    if row is None:
        return None
    found = next_to_prove(one for one in standing.rows if all(one[name] == row[name] for name in _STATE))
    if found is None:
        return None
    parts, plates = found["more_good_parts"], found["on_plates"] or 1
    return gettext(
        "Next: %(parts)s, %(plates)s, would prove %(thickness)s mm.",
        parts=ngettext("%(count)s more good part", "%(count)s more good parts", parts),
        plates=ngettext("on at least %(count)s plate", "on at least %(count)s plates", plates),
        thickness=number(found["thickness_mm"]),
    )


# --- what is shown ----------------------------------------------------------------------------------------------


def _picture(limits: Told, row: Row) -> Markup:
    points = _of_row(limits.details["points"], row)
    band = _of_row(limits.details["band"], row)
    promised = row["promised_mm"]
    told_at = number(None if promised is None else down_to_tenth(promised))
    described = gettext(
        "First-pass yield of %(count)s thicknesses from %(thinnest)s to %(thickest)s mm, with intervals at "
        "%(confidence)s; the table beneath has the figures.",
        count=number(len(points)),
        thinnest=number(row["thinnest_mm"]),
        thickest=number(row["thickest_mm"]),
        confidence=certain(limits.question.confidence),
    )
    return curve(
        [
            Point(
                gettext("%(thickness)s mm", thickness=number(point["thickness_mm"])),
                point["share"],
                point["low"],
                point["high"],
                x=point["thickness_mm"],
            )
            for point in points
        ],
        name=gettext("First-pass yield by thickness: %(place)s", place=place_of(row)),
        described=described,
        unit="percent",
        x_text=gettext("Thickness (mm)"),
        fitted=[(point["thickness_mm"], point["share"], point["low"], point["high"]) for point in band],
        monotone=[(point["thickness_mm"], point["monotone"]) for point in points],
        target=limits.details["target"],
        verticals=[] if promised is None else [(promised, gettext("%(thickness)s mm", thickness=told_at))],
    )


def _others(limits: Told, row: Row | None, site: str) -> list[dict[str, Any]]:
    """All limits of the answer, each with where it is shown."""
    if len(limits.rows) < 2:
        return []
    kept = {name: values for name, values in limits.parameters.items() if name not in (*_CUT, *_STATE)}
    return [
        {
            **one,
            "is_shown": one is row,
            "promised": None if one["promised_mm"] is None else down_to_tenth(one["promised_mm"]),
            "address": to("pages.limit", site, **kept | _asking(one, (*_CUT, *_STATE))),
        }
        for one in limits.rows
    ]
