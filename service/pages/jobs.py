"""Jobs, and each with its history."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any, Final

from flask import Response, request
from marshmallow import ValidationError, fields
from sqlalchemy import Connection

from service.asking import asker, database, needs
from service.pages import terms
from service.pages.attempts import attempt_listed
from service.pages.blueprint import blueprint, page_site, show, to
from service.pages.facts import address_of, facts_of
from service.pages.findings import listed_about
from service.pages.histories import told
from service.pages.languages import marked
from service.pages.page_queries import SITE_ONLY, asked, pages_of
from service.pages.site_times import SiteNow, site_now
from service.problems import Problem
from service.routes.state import OPEN, attempts_seen, job_seen
from service.schemas.queries import ID_LENGTH, Characters, JobsQuery, OneOfWords
from worker.confirmations import confirmations_of
from worker.events import ATTEMPT, JOB, NM_PER_MM, THICKNESS_MAX_NM, ThicknessUnreadable, inch_to_nm, mm_to_nm
from worker.findings import findings_about
from worker.jobs import is_late, is_short
from worker.ledger import history
from worker.reports.reading import Reader, open_site
from worker.sentences import sentence
from worker.state import Page, job_materials, jobs, jobs_behind

#: Attempts of one job that its page lists; the list of attempts has the rest.
_MOST_ATTEMPTS: Final = 200
#: No plate is thicker.
_MOST_MM: Final = Decimal(THICKNESS_MAX_NM) / NM_PER_MM
SHORT: Final = "short"
LATE: Final = "late"
BEHIND: Final = {
    SHORT: marked("parts still to make"),
    LATE: marked("late"),
}
#: What a job states, besides what its page shows before.
_STATED: Final = (
    "part_number", "revision", "order", "operation", "work_centre", "material", "thickness_mm", "purpose", "priority",
    "recut_of", "cut_quality", "size_tolerance_mm", "planned_seconds", "cut_length_mm", "pierces_per_part",
    "min_corner_angle_deg", "min_corner_radius_mm", "min_web_mm", "min_hole_mm", "part_mass_kg", "bevel_deg",
)  # fmt: skip


class ThicknessParameter(fields.String):
    """A thickness as people type it, in whole nanometres: 20, 12.5 or 12,5 for millimetres, 3/4 in for inches."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        text = str(value).strip()
        try:
            if 0 < (nm := _nm_of(text)) <= THICKNESS_MAX_NM:
                return nm
        except (ArithmeticError, ThicknessUnreadable):
            pass
        must = sentence(
            "must be a thickness such as 20 or 12.5 for millimetres, or 3/4 in; found %(found)s", found=repr(text[:60])
        )
        raise ValidationError(must)


def _nm_of(text: str) -> int:
    """Raises ArithmeticError or ThicknessUnreadable for what is no thickness."""
    if text.endswith("in"):
        return inch_to_nm(text.removesuffix("in").strip())
    millimetres = Decimal(text.removesuffix("mm").strip().replace(",", "."))
    # Only then is it small enough to be counted out.
    return mm_to_nm(millimetres) if millimetres.is_finite() and 0 < millimetres <= _MOST_MM else 0


class JobsPageQuery(JobsQuery):
    """Which jobs the page lists."""

    material = fields.String(validate=Characters(ID_LENGTH))
    thickness = ThicknessParameter()
    behind = fields.String(validate=OneOfWords(tuple(BEHIND)))


_QUERY: Final = JobsPageQuery()


_STATED_OR_NOT: Final = ("part_number", "material", "quantity", "due")


@blueprint.route("/jobs", endpoint="jobs")
@needs("read_state")
def get_jobs() -> Response:
    """List jobs: the open ones, unless others are asked for."""
    site = page_site()
    query = asked(_QUERY, state=OPEN)
    only = query.get("state")
    if asker().is_only_terminal and only != OPEN:
        raise Problem(403, "not-allowed", "a terminal reads open jobs only")
    with database().read() as connection:
        reader = open_site(connection, site)
        now = site_now(reader)
        found = _found(connection, now, query, only)
        materials = job_materials(connection, site)
    return show(
        "jobs.html",
        site=site,
        now=now,
        found=[_listed(job, now) for job in found.items],
        states={} if asker().is_only_terminal else terms.JOB_STATES,
        behind=BEHIND,
        words=terms,
        materials=materials,
        chosen=_chosen(query),
        pages=pages_of("pages.jobs", site, found.next),
    )


def _found(connection: Connection, now: SiteNow, query: dict[str, Any], only: str | None) -> Page:
    given: dict[str, Any] = {name: query.get(name) for name in ("part_number", "material", "after", "limit")}
    given["thickness_nm"] = query.get("thickness")
    behind = query.get("behind")
    if behind is None:
        return jobs(connection, now.site, state=only, **given)
    if only not in (None, OPEN):
        # Only open jobs are behind.
        return Page([], None)
    return jobs_behind(connection, now.site, late_on=now.today if behind == LATE else None, **given)


def _chosen(query: dict[str, Any]) -> dict[str, Any]:
    names = ("part_number", "material", "thickness", "behind")
    return {name: request.args.get(name, "") for name in names} | {"state": query.get("state", "")}


@blueprint.route("/jobs/<identifier:name>", endpoint="job")
@needs("read_state")
def get_job(name: str) -> Response:
    """Show a job: how far it is, its attempts, what was confirmed of it, what is odd about it, its history."""
    site = page_site()
    asked(SITE_ONLY)
    reads = asker().may("read")
    with database().read() as connection:
        reader = open_site(connection, site)
        now = site_now(reader)
        job = job_seen(connection, site, name)
        tries = attempts_seen(connection, site, {"job": name, "limit": _MOST_ATTEMPTS})
        confirmed = confirmations_of(connection, site, name, after=0, limit=1) if reads else None
        odd = _odd(reader, now, name, [one["attempt"] for one in tries.items]) if reads else []
        happened = history(connection, site, JOB, name) if reads else []
    return show(
        "job.html",
        site=site,
        now=now,
        job=_listed(job, now),
        close_reasons=terms.JOB_CLOSE_REASONS,
        stated=facts_of(job, _STATED, site=site, zone=now.zone),
        tries=[attempt_listed(one, site) for one in tries.items],
        words=terms,
        back=to("pages.jobs", site),
        trace=to("pages.trace", site, job=name) if reads else None,
        more_tries=to("pages.attempts", site, job=name) if tries.next else None,
        confirmed=None if confirmed is None else confirmed.value["total"],
        reads=reads,
        odd=listed_about(odd, site),
        told=told(happened, site=site, zone=now.zone),
    )


def _odd(reader: Reader, now: SiteNow, job: str, attempts: list[str]) -> Any:
    subjects = [(JOB, job), *((ATTEMPT, attempt) for attempt in attempts)]
    return findings_about(reader, subjects, now_us=now.now_us)


def _listed(job: dict[str, Any], now: SiteNow) -> dict[str, Any]:
    due = job.get("due")
    # What was not stated of it is not among what is shown.
    return (
        dict.fromkeys(_STATED_OR_NOT)
        | job
        | {
            "address": address_of(JOB, job["job"], now.site),
            "due_day": None if due is None else date.fromisoformat(due),
            "is_late": is_late(job, now.today),
            "is_short": is_short(job),
        }
    )
