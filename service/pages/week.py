"""The week: what a manager can repeat, and the figures behind it; as a page, as CSV, as a workbook and as PDF."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

from flask import Response, request

from service.asking import database, needs
from service.clock import now_us
from service.formats import CSV, XLSX, attachment
from service.pages.blueprint import blueprint, page_site, show, to
from service.pages.content_files import content_csv, content_workbook
from service.pages.content_pdf import content_pdf
from service.pages.contents import Content
from service.pages.week_content import week_content
from service.pages.week_figures import asked_week, read_week
from worker.reports.questions import QuestionUnanswerable, Wrong, given_often
from worker.reports.reading import open_site
from worker.sentences import sentence
from worker.shopcalendar import iso_week

_PARAMETERS: Final = ("site", "week")
_PDF: Final = "application/pdf"


@dataclass(frozen=True)
class _Asked:
    """A week that was asked for, and the ones beside it; `following` is None for the running one."""

    site: str
    content: Content
    week: str
    previous: str
    following: str | None


@blueprint.route("/week")
@needs("read")
def week() -> Response:
    """Show a week of a site."""
    asked = _asked()
    downloads = {name: to(f"pages.week_{name}", asked.site, week=asked.week) for name in ("csv", "xlsx", "pdf")}
    return show(
        "week.html",
        site=asked.site,
        content=asked.content,
        week=asked.week,
        previous=to("pages.week", asked.site, week=asked.previous),
        following=None if asked.following is None else to("pages.week", asked.site, week=asked.following),
        downloads=downloads,
    )


@blueprint.route("/week.csv")
@needs("read")
def week_csv() -> Response:
    """Give the same as CSV."""
    content = _asked().content
    return _file(content, "csv", f"{CSV}; charset=utf-8; header=absent", content_csv(content))


@blueprint.route("/week.xlsx")
@needs("read")
def week_xlsx() -> Response:
    """Give the same as a workbook."""
    content = _asked().content
    return _file(content, "xlsx", XLSX, content_workbook(content))


@blueprint.route("/week.pdf")
@needs("read")
def week_pdf() -> Response:
    """Give the same as PDF."""
    content = _asked().content
    return _file(content, "pdf", _PDF, content_pdf(content))


def _asked() -> _Asked:
    """The week that the request asks for, else the last complete one; raises QuestionUnanswerable."""
    site, now = page_site(), now_us()
    wrong = [Wrong(name, sentence("is no parameter of this page; it takes site and week")) for name in request.args
             if name not in _PARAMETERS]  # fmt: skip
    given = request.args.getlist("week")
    if len(given) > 1:
        wrong.append(Wrong("week", given_often(len(given))))
    if wrong:
        raise QuestionUnanswerable(wrong)
    with database().read() as connection:
        reader = open_site(connection, site)
        first_day, last_day = asked_week(reader, next(iter(given), None), now_us=now)
        found = read_week(reader, first_day, last_day, now_us=now)
    content = week_content(
        found,
        finding_address=lambda name: to("pages.finding", site, name=name),
        job_address=lambda name: to("pages.job", site, name=name),
    )
    following = None if found.is_running else iso_week(first_day + timedelta(days=7))
    return _Asked(site, content, found.week, _week_before(first_day), following)


def _week_before(first_day: date) -> str:
    return iso_week(first_day - timedelta(days=7))


def _file(content: Content, ending: str, content_type: str, body: bytes) -> Response:
    response = Response(body, content_type=content_type)
    response.headers["Content-Disposition"] = attachment(content.name, ending)
    # It speaks of this very moment: what is late now, and which findings are open.
    response.headers["Cache-Control"] = "no-store"
    return response
