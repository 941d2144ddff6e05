"""The week as one value: what its page shows, and what its CSV, workbook and PDF hold as well."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any, Final

from service.pages import contents
from service.pages.contents import (
    Cell,
    Column,
    Content,
    Picture,
    Section,
    Table,
    sentences,
    workers_sentences,
)
from service.pages.languages import day, gettext, instant, language, ngettext, number, percent
from service.pages.pictures import Point, bars, intervals
from service.pages.terms import (
    CAUSES,
    DEFECTS,
    FINDINGS,
    GASES,
    REWORK_OPERATIONS,
    STANDINGS,
    SURFACES,
    THERMAL_HISTORIES,
    said,
)
from service.pages.week_figures import Week
from service.pages.week_sentences import missing_rates, three_sentences
from service.pages.week_words import (
    CERTAINTIES,
    CHANGED,
    CRITERIA,
    MEASURES,
    VERDICTS,
    Measure,
    cell,
    interval_heading,
    thickness,
    word,
)
from worker.findings import Shown
from worker.late_jobs import LateJob
from worker.reports.report import Report
from worker.shopcalendar import zone_named

#: Open findings that are listed.
_MOST_FINDINGS: Final = 30
#: The order in which kinds of findings are listed: what tells of the process first.
_FINDINGS_FIRST: Final = ("drift", "bad_lot", "condition", "standing", "proof")

Row = Mapping[str, Any]
#: An id -> the address of its page.
Address = Callable[[str], str]


def week_content(week: Week, *, finding_address: Address, job_address: Address) -> Content:
    """All of a week, in the language of the running request; with where a finding, and a job, has a page of its own."""
    parts = [
        _summary(week),
        *(_of_figures(week) if week.was_cut else ()),
        _lateness(week, job_address),
        _open_findings(week, finding_address),
        _standings(week),
        _changed(week),
    ]
    if notes := _notes(week):
        parts.append(notes)
    title = gettext("Week %(week)s of site %(site)s", week=week.week, site=week.site)
    return Content(title, f"{week.site}-{week.week}", language(), tuple(_facts(week)), tuple(parts))


def _of_figures(week: Week) -> Iterator[Section]:
    yield _measures(week)
    yield _entries(week)
    yield _yield_by_thickness(week)
    yield _pierces(week)
    yield _rework(week)
    yield _losses(week)


def _facts(week: Week) -> Iterator[tuple[str, str]]:
    zone = zone_named(week.zone)
    days = gettext("%(first)s to %(last)s", first=day(week.first_day), last=day(week.last_day))
    yield gettext("Production days"), days
    if week.as_of.at is not None:
        counted = gettext(
            "up to event %(position)s, at %(at)s", position=number(week.as_of.position), at=instant(week.as_of.at, zone)
        )
        yield gettext("Counted"), counted
    if week.as_of.waiting:
        yield gettext("Not counted yet"), ngettext("%(count)s event", "%(count)s events", week.as_of.waiting)
    if (published := week.figures.published) is not None:
        yield gettext("Published"), instant(published.plain["at"], zone)
    elif week.is_running:
        yield gettext("Published"), gettext("not yet: the week is running")
    yield gettext("Late jobs and findings"), gettext("as they stand on %(at)s", at=instant(week.now, zone))


# --- the summary ------------------------------------------------------------------------------------------------


def _summary(week: Week) -> Section:
    told = list(three_sentences(week))
    if week.is_running:
        last = day(week.last_day)
        told.append(gettext("The week runs until %(day)s: its figures are not whole yet.", day=last))
    return Section("summary", gettext("In three sentences"), sentences(told))


# --- measures ---------------------------------------------------------------------------------------------------


def _measures(week: Week) -> Section:
    figures = week.figures
    weeks = len(figures.before.rows)
    between = interval_heading(figures.whole)
    columns = (
        Column(gettext("Measure")),
        Column(gettext("This week"), is_figure=True), Column(between, is_figure=True, is_interval=True),
        Column(gettext("Eight weeks before"), is_figure=True), Column(between, is_figure=True, is_interval=True),
    )  # fmt: skip
    rows = tuple(_measure_row(measure, figures.whole, figures.before, weeks) for measure in MEASURES)
    caption = ngettext(
        "Amounts of the weeks before are those of the %(count)s week in which something was cut",
        "Amounts of the weeks before are means of the %(count)s weeks in which something was cut",
        weeks,
    )
    if not weeks:
        caption = gettext("In the eight weeks before nothing was cut")
    points = [_week_point(str(row["week"]), row) for row in figures.before.rows]
    points.append(_week_point(week.week, figures.whole.totals))
    described = gettext("First-pass yield of each week with its interval, the last being this week")
    name = gettext("First-pass yield by week")
    svg = intervals(points, name=name, described=described, unit="percent", x_text=gettext("Week"))
    told = []
    if missing := list(missing_rates(figures.unset)) if figures.unset else []:
        told.append(gettext("Costs are not known: not set is %(rates)s.", rates="; ".join(missing)))
    told.append(gettext("Rework on these cuts may still come; that on the cuts of older weeks had more time."))
    if figures.whole.totals["pending_first"]:
        one = figures.whole.totals
        told.append(
            gettext(
                "Parts are still to be judged: were all of them bad, the first-pass yield would be %(low)s, were all "
                "good, %(high)s.",
                low=percent(one["first_pass_yield_if_pending_bad"]),
                high=percent(one["first_pass_yield_if_pending_good"]),
            )
        )
    return Section(
        "measures", gettext("Measures"), sentences(told),
        (Picture(svg, described),), (Table(caption, columns, rows),),
    )  # fmt: skip


def _measure_row(measure: Measure, now: Report, before: Report, weeks: int) -> tuple[Cell, ...]:
    return (
        contents.text(gettext(measure.text)),
        *_measured(measure, now.totals, now.currency, weeks=1),
        *_measured(measure, before.totals, before.currency, weeks=weeks),
    )


def _measured(measure: Measure, totals: Row, currency: str | None, *, weeks: int) -> tuple[Cell, Cell]:
    value = totals[measure.name]
    if measure.is_amount and value is not None and weeks != 1:
        # To six places: a file would show all that a division by weeks leaves.
        value = round(Decimal(value) / weeks, 6) if weeks else None
    if not measure.has_interval:
        return cell(measure.kind, value, currency), contents.empty(measure.kind, is_interval=True)
    limits = contents.share_between(totals[f"{measure.name}_low"], totals[f"{measure.name}_high"])
    return cell(measure.kind, value, currency), limits


def _week_point(label: str, row: Row) -> Point:
    return _yield_point(label, row, "first_pass_yield")


def _yield_point(label: str, row: Row, name: str) -> Point:
    return Point(label, row[name], row[f"{name}_low"], row[f"{name}_high"])


# --- entries ----------------------------------------------------------------------------------------------------


def _entries(week: Week) -> Section:
    now, before = ({row["criterion"]: row for row in report.rows if row["scope"] == "site"} for report in (
        week.figures.entries, week.figures.entries_before,
    ))  # fmt: skip
    columns = (
        Column(gettext("What is amiss")), Column(gettext("This week"), is_figure=True),
        Column(gettext("Share"), is_figure=True), Column(gettext("Verdict")),
        Column(gettext("Share in the eight weeks before"), is_figure=True),
        Column(gettext("Verdict on the eight weeks before")),
    )  # fmt: skip
    rows = tuple(
        _entry_row(name, now.get(name, {}), before.get(name, {})) for name in CRITERIA if name in now or name in before
    )
    caption = gettext("What the entries of the week lack, and what looks unlike life")
    tables = (Table(caption, columns, rows),) if rows else ()
    return Section("coverage", gettext("Can the figures be trusted?"), sentences([_trust(now)]), tables=tables)


def _trust(now: Mapping[str, Row]) -> str:
    """What the criteria of the entries say together."""
    verdicts = [row["verdict"] for row in now.values() if row["verdict"] is not None]
    if not verdicts:
        return gettext("There is no entry yet by which the figures could be trusted, or doubted.")
    if doubtful := verdicts.count("doubtful"):
        return ngettext(
            "%(count)s criterion is doubtful: read the figures with care.",
            "%(count)s criteria are doubtful: read the figures with care.",
            doubtful,
        )
    return gettext("Nothing in the entries speaks against the figures.")


def _entry_row(name: str, now: Row, before: Row) -> tuple[Cell, ...]:
    of = gettext("%(amiss)s of %(all)s", amiss=number(now["x"]), all=number(now["n"])) if now.get("n") else None
    return (
        contents.text(gettext(CRITERIA[name])), contents.text(of),
        contents.share(now.get("share")), contents.text(_verdict(now)),
        contents.share(before.get("share")), contents.text(_verdict(before)),
    )  # fmt: skip


def _verdict(row: Row) -> str | None:
    return None if row.get("verdict") is None else said(VERDICTS, row["verdict"])


# --- by thickness -----------------------------------------------------------------------------------------------


def _yield_by_thickness(week: Week) -> Section:
    whole = week.figures.whole
    before = {row["thickness_mm"]: row for row in week.figures.before_by_thickness.rows}
    between = interval_heading(whole)
    columns = (
        Column(gettext("Thickness")), Column(gettext("Parts judged"), is_figure=True),
        Column(gettext("Judged share"), is_figure=True), Column(gettext("Good at once"), is_figure=True),
        Column(gettext("First-pass yield"), is_figure=True), Column(between, is_figure=True, is_interval=True),
        Column(gettext("Eight weeks before"), is_figure=True), Column(between, is_figure=True, is_interval=True),
    )  # fmt: skip

    def row(name: str, now: Row, then: Row) -> tuple[Cell, ...]:
        return (
            contents.text(name), contents.count(now["parts_judged_first"]), contents.share(now["judged_share"]),
            contents.count(now["first_pass_good"]), *_yield_cells(now), *_yield_cells(then),
        )  # fmt: skip

    rows = tuple(row(thickness(one["thickness_mm"]), one, before.get(one["thickness_mm"], {})) for one in whole.rows)
    total = row(gettext("All"), whole.totals, week.figures.before.totals)
    points = [_yield_point(thickness(one["thickness_mm"]), one, "first_pass_yield") for one in whole.rows]
    name = gettext("First-pass yield by thickness")
    described = gettext("First-pass yield of each thickness with its interval")
    target = _target(week)
    svg = intervals(points, name=name, described=described, unit="percent", x_text=gettext("Thickness"), target=target)
    told = [] if target is None else [gettext("The target of the site is %(target)s.", target=percent(target))]
    return Section(
        "thickness", gettext("Yield by thickness"), sentences(told), (Picture(svg, described),),
        (Table(name, columns, rows, total),),
    )  # fmt: skip


def _target(week: Week) -> float | None:
    target: float | None = week.targets.get("first_pass_yield")
    return target


def _yield_cells(row: Row) -> tuple[Cell, Cell]:
    name = "first_pass_yield"
    return contents.share(row.get(name)), contents.share_between(row.get(f"{name}_low"), row.get(f"{name}_high"))


# --- pierces ----------------------------------------------------------------------------------------------------


def _pierces(week: Week) -> Section:
    whole = week.figures.whole
    before = {row["thickness_mm"]: row for row in week.figures.before_by_thickness.rows}
    columns = (
        Column(gettext("Thickness")), Column(gettext("Pierces"), is_figure=True),
        Column(gettext("Failed pierces"), is_figure=True), Column(gettext("Failed-pierce rate"), is_figure=True),
        Column(interval_heading(whole), is_figure=True, is_interval=True),
        Column(gettext("Rate in the eight weeks before"), is_figure=True),
    )  # fmt: skip

    def row(name: str, now: Row, then: Row) -> tuple[Cell, ...]:
        rate = "failed_pierce_rate"
        return (
            contents.text(name), contents.count(now["pierces"]), contents.count(now["failed_pierces"]),
            contents.share(now[rate]), contents.share_between(now[f"{rate}_low"], now[f"{rate}_high"]),
            contents.share(then.get(rate)),
        )  # fmt: skip

    rows = tuple(row(thickness(one["thickness_mm"]), one, before.get(one["thickness_mm"], {})) for one in whole.rows)
    total = row(gettext("All"), whole.totals, week.figures.before.totals)
    told = []
    if without := whole.totals["attempts_without_pierces"]:
        told.append(
            ngettext(
                "%(count)s attempt that does not tell its pierces is left out.",
                "%(count)s attempts that do not tell their pierces are left out.",
                without,
            )
        )
    caption = gettext("Failed pierces by thickness")
    return Section(
        "pierces", gettext("Failed pierces"), sentences(told), tables=(Table(caption, columns, rows, total),)
    )


# --- rework -----------------------------------------------------------------------------------------------------


def _rework(week: Week) -> Section:
    report = week.figures.rework
    columns = (
        Column(gettext("Operation")), Column(gettext("Entries"), is_figure=True),
        Column(gettext("Parts"), is_figure=True), Column(gettext("Hours"), is_figure=True),
        Column(gettext("Minutes per entry"), is_figure=True), Column(gettext("Cost"), is_figure=True),
    )  # fmt: skip

    def row(name: str, one: Row) -> tuple[Cell, ...]:
        return (
            contents.text(name), contents.count(one["rework_entries"]), contents.count(one["parts_reworked"]),
            contents.number(one["booked_rework_minutes"] / 60, 1), contents.minutes(one["minutes_per_entry"]),
            contents.money(one["booked_rework_cost"], report.currency),
        )  # fmt: skip

    unplanned = [one for one in report.rows if one["rework_entries"]]
    heading, caption = gettext("Rework"), gettext("Rework that was done in the week, by operation")
    if not unplanned:
        return Section("rework", heading, sentences([gettext("No rework was done in this week.")]))
    rows = tuple(row(_operation(one), one) for one in _most_minutes_first(unplanned))
    told = [gettext("Rework is told by the day on which it was done, whenever the part was cut.")]
    if report.totals["booked_rework_cost"] is None:
        told.append(
            gettext("What it cost cannot be told in one sum: the currency changed within the week.")
            if week.figures.currencies > 1
            else gettext("What it cost is not known: the rate for labour is not set.")
        )
    total = row(gettext("All"), report.totals)
    return Section("rework", heading, sentences(told), tables=(Table(caption, columns, rows, total),))


def _operation(row: Row) -> str:
    return gettext("not said") if row["operation"] is None else said(REWORK_OPERATIONS, row["operation"])


def _most_minutes_first(rows: Sequence[Row]) -> list[Row]:
    return sorted(rows, key=lambda row: (-row["booked_rework_minutes"], str(row["operation"])))


# --- losses -----------------------------------------------------------------------------------------------------


def _losses(week: Week) -> Section:
    faults, causes = week.figures.faults, week.figures.causes
    heading = gettext("Losses")
    if not faults.totals["parts_lost"] and not faults.totals["minutes"]:
        return Section("losses", heading, sentences([gettext("Nothing was lost in this week.")]))
    name = gettext("Parts lost by fault")
    described = gettext("Parts lost under each fault, the most first, and what they add up to")
    # All that were lost, so that the shares are those of the table.
    points = [Point(word(DEFECTS, row["term"]), row["parts_lost"]) for row in faults.rows if row["parts_lost"]]
    svg = bars(points, name=name, described=described, unit="number", cumulated=True)
    return Section(
        "losses", heading, (), (Picture(svg, described),), (_fault_table(faults, name), _cause_table(causes)),
    )  # fmt: skip


def _fault_table(report: Report, caption: str) -> Table:
    columns = (
        Column(gettext("Fault")), Column(gettext("Parts lost"), is_figure=True),
        Column(gettext("Share"), is_figure=True), Column(interval_heading(report), is_figure=True, is_interval=True),
        Column(gettext("Added up"), is_figure=True), Column(gettext("Rework minutes"), is_figure=True),
        Column(gettext("Cost"), is_figure=True),
    )  # fmt: skip
    rows = tuple(
        (
            contents.text(word(DEFECTS, row["term"])), contents.count(row["parts_lost"]),
            contents.share(row["parts_share"]), contents.share_between(row["parts_share_low"], row["parts_share_high"]),
            contents.share(row["cumulative_share"]), contents.minutes(row["minutes"]),
            contents.money(row["cost"], report.currency),
        )
        for row in report.rows
    )  # fmt: skip
    totals = report.totals
    total = (
        contents.text(gettext("All")), contents.count(totals["parts_lost"]), contents.empty("share"),
        contents.empty("share", is_interval=True), contents.empty("share"), contents.minutes(totals["minutes"]),
        contents.money(totals["cost"], report.currency),
    )  # fmt: skip
    return Table(caption, columns, rows, total)


def _cause_table(report: Report) -> Table:
    columns = (
        Column(gettext("Cause")), Column(gettext("Certainty")), Column(gettext("Parts lost"), is_figure=True),
        Column(gettext("Rework minutes"), is_figure=True), Column(gettext("Cost"), is_figure=True),
        Column(gettext("Share of the cost"), is_figure=True),
    )  # fmt: skip
    rows = tuple(
        (
            contents.text(word(CAUSES, row["cause"])),
            contents.text(None if row["certainty"] is None else said(CERTAINTIES, row["certainty"])),
            contents.count(row["parts_lost"]), contents.minutes(row["minutes"]),
            contents.money(row["cost"], report.currency), contents.share(row["cost_share"]),
        )
        for row in report.rows
    )  # fmt: skip
    return Table(gettext("Losses by cause, as people named it"), columns, rows)


# --- what is late -----------------------------------------------------------------------------------------------


def _lateness(week: Week, address: Address) -> Section:
    jobs = (*week.late.late, *week.late.held)
    told = [] if jobs else [gettext("No job is late or held because of cutting.")]
    if week.late.without_due:
        told.append(
            ngettext(
                "%(count)s open job has no day on which it is due.",
                "%(count)s open jobs have no day on which they are due.",
                week.late.without_due,
            )
        )
    if not week.late.is_all:
        told.append(gettext("There are so many open jobs that not all were looked at: close those that are done."))
    columns = (
        Column(gettext("Job")), Column(gettext("Part number")), Column(gettext("Due")), Column(gettext("Stands")),
        Column(gettext("Parts ordered"), is_figure=True), Column(gettext("Still to cut"), is_figure=True),
        Column(gettext("In rework"), is_figure=True), Column(gettext("Not judged"), is_figure=True),
    )  # fmt: skip
    caption = gettext("Open jobs that are late, or due within a week and held")
    table = Table(caption, columns, tuple(_job_row(job, address) for job in jobs))
    heading = gettext("Late or held because of cutting")
    return Section("late", heading, sentences(told), tables=(table,) if jobs else ())


def _job_row(job: LateJob, address: Address) -> tuple[Cell, ...]:
    return (
        contents.text(job.job, address=address(job.job)), contents.text(job.part_number), contents.day(job.due),
        contents.text(gettext("late") if job.is_late else gettext("held")), contents.count(job.quantity),
        contents.count(job.to_make), contents.count(job.in_rework), contents.count(job.pending),
    )  # fmt: skip


# --- findings ---------------------------------------------------------------------------------------------------


def _open_findings(week: Week, address: Address) -> Section:
    found = sorted(week.open_findings, key=_finding_order)
    heading = gettext("Open findings")
    if not found:
        return Section("findings", heading, sentences([gettext("No finding is open.")]))
    told = []
    if week.has_more_findings or len(found) > _MOST_FINDINGS:
        told.append(
            gettext(
                "Shown are %(shown)s of %(all)s open findings: those with a due date or an owner first, then what "
                "tells of the process.",
                shown=number(_MOST_FINDINGS),
                all=gettext("more than %(count)s", count=number(len(found))) if week.has_more_findings
                else number(len(found)),
            )
        )  # fmt: skip
    columns = (
        Column(gettext("Kind")), Column(gettext("What was found"), share_of_width=3),
        Column(gettext("Owner"), share_of_width=1),
        Column(gettext("Due")), Column(gettext("Action"), share_of_width=1),
    )  # fmt: skip
    rows = tuple(_finding_row(one, address) for one in found[:_MOST_FINDINGS])
    caption = gettext("Open findings with who sees to them, and until when")
    return Section("findings", heading, sentences(told), tables=(Table(caption, columns, rows),))


def _finding_order(one: Shown) -> tuple[Any, ...]:
    noted, kind = one.noted or {}, one.finding.kind
    first = _FINDINGS_FIRST.index(kind) if kind in _FINDINGS_FIRST else len(_FINDINGS_FIRST)
    due = noted.get("due")
    return due is None, due or "", noted.get("owner") is None, first, kind, one.finding.key


def _finding_row(one: Shown, address: Address) -> tuple[Cell, ...]:
    noted = one.noted or {}
    return (
        contents.text(said(FINDINGS, one.finding.kind), address=address(one.finding.id)),
        contents.workers(one.finding.detail),
        contents.text(noted.get("owner")),
        contents.day(noted.get("due")),
        contents.text(noted.get("action")),
    )


# --- standings --------------------------------------------------------------------------------------------------


def _standings(week: Week) -> Section:
    heading = gettext("Changed standing")
    if not week.standings:
        return Section("standings", heading, sentences([gettext("No thickness changed its standing in this week.")]))
    columns = (
        Column(gettext("Thickness")), Column(gettext("Material")), Column(gettext("Machine")), Column(gettext("Gas")),
        Column(gettext("Plate")), Column(gettext("Recipe")), Column(gettext("Before")), Column(gettext("Now")),
        Column(gettext("Since")), Column(gettext("Good of judged parts")),
    )  # fmt: skip
    rows = tuple(_standing_row(row) for row in week.standings)
    caption = gettext("What may be promised otherwise than before, thickness by thickness")
    return Section("standings", heading, tables=(Table(caption, columns, rows),))


def _standing_row(row: Row) -> tuple[Cell, ...]:
    plate = [said(SURFACES, row["surface_group"]) if row["surface_group"] else None]
    plate.append(said(THERMAL_HISTORIES, row["thermal_history"]) if row["thermal_history"] else None)
    return (
        contents.text(thickness(row["thickness_mm"])), contents.text(row["material"]), contents.text(row["machine"]),
        contents.text(said(GASES, row["gas"]) if row["gas"] else None),
        contents.text(", ".join(one for one in plate if one) or None), contents.text(row["recipe"]),
        contents.text(said(STANDINGS, row["from"]) if row["from"] else gettext("not tried")),
        contents.text(said(STANDINGS, row["to"])), contents.day(row["day"]),
        contents.text(gettext("%(good)s of %(parts)s", good=number(row["good"]), parts=number(row["parts"]))),
    )  # fmt: skip


# --- changed since it was published -----------------------------------------------------------------------------


def _changed(week: Week) -> Section:
    figures, heading = week.figures, gettext("Changed since it was published")
    if figures.published is None:
        told = (
            gettext("The week is running: it is published a day after its end.")
            if week.is_running
            else gettext("The week is not published, so that nothing can be held against it.")
        )
        return Section("changed", heading, sentences([told]))
    rows = tuple(
        row for name, changed in figures.changed.items() for one in changed if (row := _changed_row(week, name, one))
    )
    others = sum(len(changed) for changed in figures.changed.values()) - len(rows)
    at = instant(figures.published.plain["at"], zone_named(week.zone))
    if not rows and not others:
        told = gettext("No late event changed a figure since the week was published on %(at)s.", at=at)
        return Section("changed", heading, sentences([told]))
    if not rows:
        told = gettext(
            "Events that came after the week was published on %(at)s changed no figure that is shown here.", at=at
        )
        return Section("changed", heading, sentences([told, _others_changed(others)]))
    said_first = gettext("Events that came after the week was published on %(at)s changed these figures.", at=at)
    more = _others_changed(others)
    columns = (
        Column(gettext("Figure")), Column(gettext("Of what")), Column(gettext("As published"), is_figure=True),
        Column(gettext("Now"), is_figure=True),
    )  # fmt: skip
    table = Table(gettext("Figures as they were published and as they are now"), columns, rows)
    return Section("changed", heading, sentences([said_first, more] if others else [said_first]), tables=(table,))


def _others_changed(count: int) -> str:
    return ngettext("%(count)s other figure changed too.", "%(count)s other figures changed too.", count)


def _changed_row(week: Week, report: str, change: Row) -> tuple[Cell, ...] | None:
    if change["column"] not in CHANGED:
        return None
    # Of the rows only what the page shows of them: the yield of each thickness, the minutes of each operation.
    if change["row"] is not None and (report, change["column"]) not in _ROWS_CHANGED:
        return None
    # What report yield tells of all attempts, the losses tell again.
    if report == "losses" and change["column"] != "parts_lost":
        return None
    text, kind = CHANGED[change["column"]]
    currency = week.figures.whole.currency
    return (
        contents.text(gettext(text)), contents.text(_of_row(change["row"])),
        cell(kind, change["then"], currency), cell(kind, change["now"], currency),
    )  # fmt: skip


_ROWS_CHANGED: Final = (("yield", "first_pass_yield"), ("rework", "booked_rework_minutes"))


def _of_row(row: Row | None) -> str:
    if row is None:
        return gettext("all")
    if "thickness_mm" in row:
        return thickness(row["thickness_mm"])
    return _operation(row)


# --- notes ------------------------------------------------------------------------------------------------------


def _notes(week: Week) -> Section | None:
    """What may and may not be concluded, as the reports say it."""
    figures = week.figures
    reports = (figures.whole, figures.rework, figures.faults, figures.causes, figures.entries)
    notes = dict.fromkeys(note for report in reports for note in report.notes)
    told = workers_sentences(notes)
    return Section("notes", gettext("Notes"), told) if told else None
