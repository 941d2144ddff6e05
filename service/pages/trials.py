"""Series of trials: planned by a form, each with its run sheet to print, its effects, and how it ended."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from flask import Response
from markupsafe import Markup
from marshmallow import fields
from marshmallow.validate import OneOf

from service.asking import asker, database, needs
from service.objects import loaded
from service.pages import terms, trial_form
from service.pages.blueprint import blueprint, page_site, see, show, to
from service.pages.facts import address_of
from service.pages.field_terms import FIELDS
from service.pages.form_faults import by_field, by_pointer
from service.pages.languages import gettext, number
from service.pages.page_queries import SITE_ONLY, asked, pages_of
from service.pages.pictures import Point, intervals
from service.pages.site_times import site_now
from service.problems import Problem
from service.routes.trials import conclude, plan, trial_seen
from service.schemas.queries import Query
from service.schemas.trials import TRIAL_CONCLUDED, TRIAL_NEW, TrialsQuery
from service.sessions import form_field
from worker.events import TRIAL_FACTORS
from worker.reports.reading import open_site
from worker.trials import shown

Row = Mapping[str, Any]
_QUERY: Final = TrialsQuery()
_CONCLUDED: Final = ("reason", "conclusion")


class TrialPageQuery(Query):
    """What the page of a trial is told: that it was planned or concluded just now."""

    done = fields.String(validate=OneOf(("planned", "concluded")))


_TRIAL_QUERY: Final = TrialPageQuery()


@blueprint.route("/trials", endpoint="trials")
@needs("read")
def get_trials() -> Response:
    """List trials, and show the form that plans one."""
    return _list(page_site())


@blueprint.route("/trials", methods=["POST"])
@needs("prove")
def post_trial() -> Response:
    """Plan a trial."""
    site, typed = page_site(), trial_form.typed()
    try:
        body = trial_form.body_of(typed)
        loaded(TRIAL_NEW, body)
        name, _ = plan(site, body)
    except Problem as problem:
        if problem.status not in (409, 422):
            raise
        return _list(site, typed=typed, problem=problem)
    return see(to("pages.trial", site, name=name, done="planned"))


def _list(site: str, *, typed: Mapping[str, str] | None = None, problem: Problem | None = None) -> Response:
    query: Mapping[str, Any] = asked(_QUERY) if problem is None else {"limit": 100}
    with database().read() as connection:
        reader = open_site(connection, site)
        now = site_now(reader)
        page = shown.page(reader, state=query.get("state"), after=query.get("after"), limit=query["limit"])
    whole, faults = by_pointer(problem, trial_form.FIELDS)
    return show(
        "trials.html",
        status=200 if problem is None else problem.status,
        site=site,
        now=now,
        found=[one | {"address": to("pages.trial", site, name=one["id"])} for one in page.items],
        chosen={"state": query.get("state", "")},
        pages=pages_of("pages.trials", site, page.next),
        words=terms,
        settings=[(name, gettext(FIELDS[name])) for name in TRIAL_FACTORS],
        rows=trial_form.FACTORS,
        may_plan=asker().may("prove"),
        action=to("pages.post_trial", site),
        typed=typed or trial_form.blank(),
        whole=whole,
        faults=faults,
    )


@blueprint.route("/trials/<identifier:name>", endpoint="trial")
@needs("read")
def get_trial(name: str) -> Response:
    """Show a trial: its run sheet, its effects, which planned level looks best, how it ended."""
    return _page(page_site(), name, done=asked(_TRIAL_QUERY).get("done"))


@blueprint.route("/trials/<identifier:name>/conclusion", methods=["GET"])
@needs("read")
def get_trial_conclusion(name: str) -> Response:
    """Lead to the trial: this is where a form stands that came back, and people load it anew."""
    asked(SITE_ONLY)
    return see(to("pages.trial", page_site(), name=name))


@blueprint.route("/trials/<identifier:name>/conclusion", methods=["POST"])
@needs("prove")
def post_trial_conclusion(name: str) -> Response:
    """Conclude a trial."""
    site = page_site()
    # Browsers end the lines of a form with CR LF.
    typed = {field: form_field(field).replace("\r\n", "\n").strip() for field in _CONCLUDED}
    try:
        concluded = loaded(TRIAL_CONCLUDED, {field: text for field, text in typed.items() if text})
        conclude(site, name, concluded)
    except Problem as problem:
        if problem.status not in (409, 422):
            raise
        return _page(site, name, typed=typed, problem=problem)
    return see(to("pages.trial", site, name=name, done="concluded") + "#ended")


def _page(
    site: str,
    name: str,
    *,
    done: str | None = None,
    typed: Mapping[str, str] | None = None,
    problem: Problem | None = None,
) -> Response:
    found = trial_seen(site, name)
    with database().read() as connection:
        now = site_now(open_site(connection, site))
    whole, faults = by_field(problem, _CONCLUDED)
    factors = {factor["name"]: gettext(FIELDS[factor["name"]]) for factor in found["plan"]["factors"]}
    effects = [one | {"name": _effect_name(one, factors)} for one in found["effects"]]
    return show(
        "trial.html",
        status=200 if problem is None else problem.status,
        site=site,
        now=now,
        found=found,
        factors=list(factors.values()),
        sheet=[run | _addresses(run, site) for run in found["sheet"]],
        effects=effects,
        picture=_picture(effects),
        is_cutting=found["next_run"] is not None,
        words=terms,
        back=to("pages.trials", site),
        may_conclude=asker().may("prove") and found["concluded"] is None,
        action=to("pages.post_trial_conclusion", site, name=name),
        done=done,
        typed=typed or {"reason": "complete" if found["next_run"] is None else ""},
        whole=whole,
        faults=faults,
    )


def _addresses(run: Row, site: str) -> dict[str, Any]:
    """Pages of what was cut for a run."""
    return {
        f"{kind}_address": address_of(kind, run[kind], site) if run[kind] else None for kind in ("attempt", "plate")
    }


def _effect_name(effect: Row, factors: Mapping[str, str]) -> str:
    """Which levels are held against which."""
    return " × ".join(
        gettext(
            "%(setting)s: %(level)s instead of %(first)s",
            setting=factors[name],
            level=number(level),
            first=number(first),
        )
        for name, level, first in zip(effect["factors"], effect["levels"], effect["against"], strict=True)
    )


def _picture(effects: Sequence[Row]) -> Markup | None:
    """Effects of single factors, in percentage points, with none beneath them to hold them against."""
    points = [
        Point(
            f"{gettext(FIELDS[one['factors'][0]])}: {number(one['levels'][0])}",
            _points(one["difference"]),
            _points(one["difference_low"]),
            _points(one["difference_high"]),
            mark="" if one["told"] else "open",
        )
        for one in effects
        if one["difference"] is not None
    ]
    if not points:
        return None
    return intervals(
        [*points, Point(gettext("no effect"), 0.0)],
        name=gettext("Effects in percentage points"),
        described=gettext(
            "For each level by how many percentage points it changes the share good, with its interval at 95 %; hollow "
            "where it is not told from chance. The table beneath has the figures."
        ),
        unit="number",
        x_text=gettext("Level"),
    )


def _points(difference: float) -> float:
    return round(100 * difference, 1)
