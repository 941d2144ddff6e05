"""The dossier of a proven thickness as one value: its sections, as its page shows and its PDF prints them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

from service.pages import contents
from service.pages.contents import Cell, Column, Content, Section, Table, sentences, workers_sentences
from service.pages.field_terms import FIELDS
from service.pages.languages import day, gettext, instant, language, marked, number, percent
from service.pages.terms import (
    DOSSIER_ENDS,
    DOSSIER_SETTINGS,
    DOSSIER_STATES,
    GASES,
    SERVICES,
    SURFACE_GROUPS,
    THERMAL_HISTORIES,
    VERDICTS,
    said,
)
from worker.dossier.answer import FIGURES_ONLY
from worker.dossier.edges import BASIS

Row = Mapping[str, Any]
#: An attempt -> the address of its page.
Address = Callable[[str], str]
#: What was measured of an edge -> the field in which it is entered.
_MEASURED: Final = {"u": "u_mm", "rz5": "rz5_um", "dross": "dross_mm"}
#: What became of the parts, in the order in which it is told.
_PARTS: Final = ("good", "rework", "scrap", "not_made", "pending", "recovered", "scrapped", "in_rework")
_LEFT_OUT: Final = {
    "for_trial": marked("Cut for trial: a trial explores"),
    "bevelled": marked("Cut with a bevel"),
    "otherwise": marked("Cut with another gas, recipe or plate than planned"),
    "no_trials": marked("Reached no part, or lost all to what is not the process"),
    "early": marked("Cut before the ledger had the plan"),
    "left_over": marked("Cut after the decision"),
}


def dossier_content(found: Row, *, zone: ZoneInfo, attempt_address: Address) -> Content:
    """All of a dossier, in the language of the running request; with where an attempt has a page of its own."""
    proof = found["proof"]
    parts = (
        _summary(found),
        _validity(found),
        _plan(proof, zone),
        _result(found),
        _trials(found, attempt_address),
        _settings(found),
        _edges(found),
        _left_out(found),
        _since(found, zone),
        _notes(found),
        Section("cautions", gettext("Cautions"), sentences([gettext(one) for one in found["cautions"]])),
    )
    title = gettext("Dossier of proof %(proof)s", proof=proof["id"])
    return Content(title, f"{found['site']}-dossier-{proof['id']}", language(), tuple(_facts(found, zone)), parts)


def _facts(found: Row, zone: ZoneInfo) -> Iterator[tuple[str, str]]:
    proof, plan = found["proof"], found["proof"]["plan"]
    yield gettext("State"), said(DOSSIER_STATES, found["state"])
    if found["ended_day"] is None:
        yield gettext("Holds until"), day(found["until"])
    else:
        yield gettext("Ended on"), day(found["ended_day"])
    yield gettext("As of"), day(found["as_of_day"])
    yield gettext("Site"), found["site"]
    yield gettext("Thickness"), gettext("%(thickness)s mm", thickness=number(plan["thickness_mm"]))
    yield gettext("Material"), plan["material"]
    yield gettext("Machine"), plan["machine"]
    if plan["gas"]:
        yield gettext("Gas"), said(GASES, plan["gas"])
    if plan["surface_group"]:
        yield gettext("Surface"), said(SURFACE_GROUPS, plan["surface_group"])
    if plan["thermal_history"]:
        yield gettext("Edges"), said(THERMAL_HISTORIES, plan["thermal_history"])
    yield gettext("Recipe"), ", ".join(found["recipes"]) or gettext("none was told")
    yield gettext("Planned"), instant(proof["planned_at"], zone)


def _summary(found: Row) -> Section:
    told = [found["proven"], found["detail"], FIGURES_ONLY]
    return Section("summary", gettext("What is proven"), workers_sentences(told))


def _notes(found: Row) -> Section:
    """What it rests on, but for what stands at its head and at the edges."""
    told = [one for one in found["notes"] if one not in (FIGURES_ONLY, BASIS)]
    return Section("notes", gettext("What it rests on"), workers_sentences(told))


def _validity(found: Row) -> Section:
    columns = (
        Column(gettext("What ends it")), Column(gettext("When it does"), share_of_width=2),
        Column(gettext("Ended on")), Column(gettext("What happened"), share_of_width=1),
    )  # fmt: skip
    rows = tuple(
        (
            contents.text(said(DOSSIER_ENDS, one["what"])), contents.workers(one["rule"]), contents.day(one["day"]),
            _worker(one["detail"]),
        )
        for one in found["ends"]
    )  # fmt: skip
    table = Table(gettext("What ends it, and whether it did"), columns, rows)
    return Section("ends", gettext("Until when it holds, and what ends it"), tables=(table,))


def _worker(text: str | None) -> Cell:
    return contents.text(None) if text is None else contents.workers(text)


# --- the plan and how it came out -------------------------------------------------------------------------------


def _plan(proof: Row, zone: ZoneInfo) -> Section:
    received = gettext(
        "The ledger took the plan on %(at)s, at position %(position)s; only cuts that started from then on count.",
        at=instant(proof["received_at"], zone),
        position=number(proof["position"]),
    )
    return _named(
        "plan", gettext("The plan, as it stood before the cuts"), gettext("The plan"), _planned(proof), [received]
    )


def _planned(proof: Row) -> Iterator[tuple[str, Cell]]:
    plan, rule = proof["plan"], proof["rule"]
    yield gettext("Reliability"), contents.share(plan["reliability"])
    yield gettext("Confidence"), contents.share(plan["confidence"])
    if (risks := plan["sequential"]) is None:
        yield gettext("Failures allowed"), contents.count(plan["failures_allowed"])
    else:
        yield gettext("Reliability to be ruled out"), contents.share(risks["unacceptable_reliability"])
    if rule is not None:
        yield gettext("Trials needed, or at most"), contents.count(rule["needed"] or rule["longest"])
        yield gettext("Real risk to pass what is not good enough"), contents.share(rule["consumer_risk"]["real"])
        if rule["producer_risk"] is not None:
            yield gettext("Real risk to fail what is good enough"), contents.share(rule["producer_risk"]["real"])
    spread = {
        "plates": gettext("Plates at least"),
        "heats": gettext("Heats at least"),
        "days": gettext("Days at least"),
    }
    for name, text in spread.items():
        if plan[f"least_{name}"] is not None:
            yield text, contents.count(plan[f"least_{name}"])
    if plan["note"]:
        yield gettext("Remark"), contents.text(plan["note"])


def _result(found: Row) -> Section:
    return _named("result", gettext("Result"), gettext("How the series came out"), _came_out(found))


def _came_out(found: Row) -> Iterator[tuple[str, Cell]]:
    proof, parts = found["proof"], found["parts"]
    yield gettext("Trials"), contents.count(proof["trials_made"])
    yield gettext("Good trials"), contents.count(proof["good"])
    yield gettext("Failed trials"), contents.count(proof["failed"])
    yield gettext("Lower bound of the reliability"), _floor(proof["lower"])
    yield gettext("Decided on"), contents.day(proof["decided_day"])
    for name, text in (("plates", gettext("Plates")), ("heats", gettext("Heats")), ("days", gettext("Days"))):
        yield text, contents.count(proof["spread"][name])
    yield gettext("Parts tried"), contents.count(parts["tried"])
    for name in _PARTS:
        if parts[name] or name in _PARTS[:4]:
            yield gettext("Parts: %(verdict)s", verdict=said(VERDICTS, name)), contents.count(parts[name])
    if parts["lost_otherwise"]:
        yield gettext("Parts lost to what is not the process"), contents.count(parts["lost_otherwise"])


def _floor(lower: float | None) -> Cell:
    """A lower bound in per cent with two decimals: never rounded up."""
    return contents.text(None) if lower is None else Cell((lower,), percent(int(lower * 10_000) / 10_000, 2), "share")


def _named(
    key: str, heading: str, caption: str, told: Iterator[tuple[str, Cell]], said_before: Sequence[str] = ()
) -> Section:
    """A section of names and values."""
    columns = (Column(gettext("What")), Column(gettext("Value")))
    rows = tuple((contents.text(name), value) for name, value in told)
    return Section(key, heading, sentences(said_before), tables=(Table(caption, columns, rows),))


# --- the trials -------------------------------------------------------------------------------------------------


def _trials(found: Row, attempt_address: Address) -> Section:
    columns = (
        Column(gettext("Number")), Column(gettext("Attempt")), Column(gettext("Day")),
        Column(gettext("Plate")), Column(gettext("Heat")), Column(gettext("Steel mill")),
        Column(gettext("Certificate")), Column(gettext("Result")), Column(gettext("Parts good"), is_figure=True),
        Column(gettext("Recipe")), Column(gettext("Settings")),
    )  # fmt: skip
    rows = tuple(_trial(one, attempt_address) for one in found["trials"])
    return Section("trials", gettext("Trials"), tables=(Table(gettext("The trials, by their start"), columns, rows),))


def _trial(one: Row, attempt_address: Address) -> tuple[Cell, ...]:
    parts = gettext("%(good)s of %(parts)s", good=number(one["parts_good"]), parts=number(one["parts"]))
    return (
        contents.count(one["number"]),
        contents.text(one["attempt"], address=attempt_address(one["attempt"])),
        contents.day(one["day"]),
        contents.text(one["plate"]),
        contents.text(one["heat_number"]),
        contents.text(one["mill"]),
        contents.text(one["certificate"]),
        contents.text(gettext("good") if one["good"] else gettext("failed")),
        contents.text(parts),
        contents.text(one["recipe"]),
        contents.text(said(DOSSIER_SETTINGS, one["settings"])),
    )


def _settings(found: Row) -> Section:
    columns = (
        Column(gettext("Setting")), Column(gettext("From"), is_figure=True), Column(gettext("To"), is_figure=True),
        Column(gettext("Trials that tell it"), is_figure=True), Column(gettext("Released value"), is_figure=True),
        Column(gettext("Trials with another value"), is_figure=True),
    )  # fmt: skip
    rows = tuple(
        (
            contents.text(_field(one["setting"])), contents.number(one["lowest"]), contents.number(one["highest"]),
            contents.count(one["trials"]), contents.number(one["released"]), contents.count(one["otherwise"]),
        )
        for one in found["settings"]
    )  # fmt: skip
    caption = gettext("What the trials were cut with, and what is released")
    tables = (Table(caption, columns, rows),) if rows else ()
    told = [] if rows else [gettext("No trial tells a setting.")]
    return Section("settings", gettext("Settings"), sentences(told), tables=tables)


def _field(name: str) -> str:
    return gettext(FIELDS[name]) if name in FIELDS else name


def _edges(found: Row) -> Section:
    columns = (
        Column(gettext("Figure")), Column(gettext("Cuts measured"), is_figure=True),
        Column(gettext("Readings"), is_figure=True), Column(gettext("Mean"), is_figure=True),
        Column(gettext("Worst cut"), is_figure=True), Column(gettext("Largest reading"), is_figure=True),
        Column(gettext("All cuts in range"), is_figure=True), Column(gettext("Its limit"), is_figure=True),
        Column(gettext("Cuts by range")),
    )  # fmt: skip
    rows = tuple(_edge(one) for one in found["edges"])
    caption = gettext("Edges over the trials; ranges computed from published restatements of ISO 9013:2017")
    told = [] if rows else [gettext("No edge was measured.")]
    tables = (Table(caption, columns, rows),) if rows else ()
    basis = workers_sentences([BASIS]) if rows else ()
    return Section("edges", gettext("Edge quality"), (*sentences(told), *basis), tables=tables)


def _edge(one: Row) -> tuple[Cell, ...]:
    ranges = [
        gettext("worse than all: %(cuts)s", cuts=number(each["cuts"]))
        if each["range"] is None
        else gettext("range %(range)s: %(cuts)s", range=number(each["range"]), cuts=number(each["cuts"]))
        for each in one["ranges"]
        if each["cuts"]
    ]
    return (
        contents.text(_field(_MEASURED[one["figure"]])), contents.count(one["cuts"]),
        contents.count(one["readings"]), contents.number(one["mean"], 3), contents.number(one["worst_cut"], 3),
        contents.number(one["largest_reading"], 3), contents.count(one["kept_by_all"]),
        contents.number(one["limit"], 3), contents.text("; ".join(ranges) or None),
    )  # fmt: skip


# --- the rest ---------------------------------------------------------------------------------------------------


def _left_out(found: Row) -> Section:
    columns = (Column(gettext("Cuts that are no trials")), Column(gettext("Cuts"), is_figure=True))
    rows = tuple(
        (contents.text(gettext(text)), contents.count(found["left_out"][name])) for name, text in _LEFT_OUT.items()
    )
    caption = gettext("What it does not count")
    return Section("left-out", gettext("What was left out"), tables=(Table(caption, columns, rows),))


def _since(found: Row, zone: ZoneInfo) -> Section:
    columns = (
        Column(gettext("Service")), Column(gettext("How often"), is_figure=True), Column(gettext("When last")),
    )  # fmt: skip
    rows = tuple(
        (
            contents.text(said(SERVICES, one["what"])), contents.count(one["times"]),
            contents.text(instant(one["last_at"], zone)),
        )
        for one in found["services"]
    )  # fmt: skip
    told = [] if rows else [gettext("No service of the machine was entered since the trial that decided it.")]
    caption = gettext("Services of the machine since the trial that decided it")
    tables = (Table(caption, columns, rows),) if rows else ()
    return Section("since", gettext("What was done on the machine since"), sentences(told), tables=tables)
