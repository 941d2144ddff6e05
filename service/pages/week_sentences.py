"""The three sentences of a week that a manager can repeat: its yield, the money lost, and what waits for cutting."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from service.pages.languages import day, gettext, marked, money, ngettext, number, percent
from service.pages.terms import CAUSES
from service.pages.week_figures import Week
from service.pages.week_words import word
from worker.late_jobs import DUE_SOON_DAYS, LateJob
from worker.losses import UNSTATED
from worker.lost_parts import SEVERAL
from worker.reports.unset_rates import UnsetRates
from worker.stats.pareto import REST

_HEADLINES: Final = {
    "higher": marked(
        "First-pass yield was %(yield)s, better than chance explains: this mix of thicknesses and materials gave "
        "%(expected)s in the 26 weeks before."
    ),
    "lower": marked(
        "First-pass yield was %(yield)s, worse than chance explains: this mix of thicknesses and materials gave "
        "%(expected)s in the 26 weeks before."
    ),
    "same": marked(
        "First-pass yield was %(yield)s, the same as far as chance lets it be told: this mix of thicknesses and "
        "materials gave %(expected)s in the 26 weeks before."
    ),
}


def three_sentences(week: Week) -> tuple[str, str, str]:
    """The sentences, each of which stands by itself."""
    return _of_yield(week), _of_money(week), _of_lateness(week)


# --- yield ------------------------------------------------------------------------------------------------------


def _of_yield(week: Week) -> str:
    whole = week.figures.whole
    totals, details = whole.totals, whole.details
    if not totals["attempts"]:
        if totals["open_attempts"]:
            return gettext("No cut of this week is told to have ended yet.")
        return gettext("Nothing was cut in this week.")
    if details["verdict"] in _HEADLINES:
        shown = {"yield": percent(details["observed_yield"]), "expected": percent(details["expected_yield"])}
        said = gettext(_HEADLINES[details["verdict"]], **shown)
        is_whole = details["parts_compared"] == totals["parts_judged_first"]
        return said if is_whole else f"{said} {_of_which(totals, details)}"
    if totals["first_pass_yield"] is None:
        return gettext("No part of this week is judged yet, so its first-pass yield is not known.")
    return gettext(_without_verdict(totals, details), **{"yield": percent(totals["first_pass_yield"])})


def _of_which(totals: Mapping[str, Any], details: Mapping[str, Any]) -> str:
    """A yield that is of a part of the week says so, and what the whole of it had."""
    return gettext(
        "That is of %(compared)s of the %(judged)s judged parts: their days are judged, and their thickness and "
        "material were cut before; of all it was %(yield)s.",
        **{
            "compared": number(details["parts_compared"]), "judged": number(totals["parts_judged_first"]),
            "yield": percent(totals["first_pass_yield"]),
        },
    )  # fmt: skip


def _without_verdict(totals: Mapping[str, Any], details: Mapping[str, Any]) -> str:
    """What is said of a yield that is held against nothing, and why."""
    if details["parts_without_baseline"] and not details["parts_compared"]:
        return marked("First-pass yield was %(yield)s; there is nothing in the 26 weeks before to hold it against.")
    if totals["pending_first"]:
        return marked(
            "First-pass yield of what is judged was %(yield)s; too many parts are still to be judged to hold it "
            "against the weeks before."
        )
    return marked("First-pass yield was %(yield)s; it cannot be held against the weeks before: the notes say why.")


# --- money ------------------------------------------------------------------------------------------------------


def _of_money(week: Week) -> str:
    lost, currency = week.figures.whole.totals["cost_of_poor_quality"], week.figures.whole.currency
    if not week.figures.whole.totals["attempts"]:
        if week.figures.rework.totals["rework_entries"]:
            return gettext("Nothing was lost on cuts of this week; what was reworked in it was cut before.")
        return gettext("Nothing was lost by cutting.")
    if lost is None:
        return f"{_without_money(week)} {_parts_lost(week)}"
    if not lost:
        return gettext("Nothing was lost to rework, lost machine time or scrap.")
    said = gettext("%(lost)s were lost to rework, lost machine time and scrap.", lost=money(lost, currency))
    return f"{said} {_largest_by_cost(week)}"


def _largest_by_cost(week: Week) -> str:
    causes = week.figures.causes
    told, rest = _by_cause(causes.rows, "cost")
    largest, cost = _largest(told)
    if not cost:
        if rest.get(SEVERAL):
            return gettext("No cause was named alone: where any was, several were named at once.")
        return gettext("What caused it, nobody named.")
    shares, rest_shares = _by_cause(causes.rows, "cost_share")
    named = {
        "cause": _listed_causes(largest), "cost": money(cost, causes.currency), "share": percent(shares[largest[0]], 0)
    }  # fmt: skip
    if not (unnamed := rest_shares.get(UNSTATED)):
        return gettext(_LARGEST_BY_COST[len(largest) > 1], **named)
    return gettext(_LARGEST_BY_COST_WITH_REST[len(largest) > 1], **named, unnamed=percent(unnamed, 0))


#: By whether several are equally large.
_LARGEST_BY_COST: Final = {
    False: marked("The largest cause that was named is: %(cause)s, with %(cost)s (%(share)s)."),
    True: marked("The largest causes that were named are, alike: %(cause)s, with %(cost)s (%(share)s) each."),
}
_LARGEST_BY_COST_WITH_REST: Final = {
    False: marked(
        "The largest cause that was named is: %(cause)s, with %(cost)s (%(share)s); for %(unnamed)s nobody named one."
    ),
    True: marked(
        "The largest causes that were named are, alike: %(cause)s, with %(cost)s (%(share)s) each; for %(unnamed)s "
        "nobody named one."
    ),
}
_LARGEST_BY_PARTS: Final = {
    False: marked("The largest cause that was named is: %(cause)s, with %(share)s of them."),
    True: marked("The largest causes that were named are, alike: %(cause)s, with %(share)s of them each."),
}


def _by_cause(rows: Sequence[Mapping[str, Any]], name: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """(a figure of each cause, suspected and confirmed together; the same of what is no cause of its own)."""
    causes: dict[str, Any] = {}
    rest: dict[str, Any] = {}
    for row in rows:
        found = rest if row["cause"] in REST else causes
        found[row["cause"]] = found.get(row["cause"], 0) + (row[name] or 0)
    return causes, rest


def _largest(told: Mapping[str, Any]) -> tuple[list[str], Any]:
    """(the causes that have the most, how much that is)."""
    most = max(told.values(), default=0)
    return [cause for cause, amount in told.items() if amount == most], most


def _listed_causes(causes: Sequence[str]) -> str:
    return ", ".join(word(CAUSES, cause) for cause in causes)


def _parts_lost(week: Week) -> str:
    causes = week.figures.causes
    said = ngettext("%(count)s part was lost.", "%(count)s parts were lost.", causes.totals["parts_lost"])
    largest, most = _largest(_by_cause(causes.rows, "parts_lost")[0])
    if not most:
        return said
    shares, _ = _by_cause(causes.rows, "parts_share")
    told = {"cause": _listed_causes(largest), "share": percent(shares[largest[0]], 0)}
    return f"{said} {gettext(_LARGEST_BY_PARTS[len(largest) > 1], **told)}"


def _without_money(week: Week) -> str:
    missing = list(missing_rates(week.figures.unset)) if week.figures.unset else []
    if missing:
        return gettext("What was lost in money is not known: not set is %(rates)s.", rates="; ".join(missing))
    return gettext("What was lost in money cannot be told in one sum: the currency changed within the week.")


def missing_rates(unset: UnsetRates) -> Iterator[str]:
    """What a site's settings lack for its costs, in words."""
    if unset.labour:
        yield gettext("the rate for labour")
    if unset.machines:
        yield gettext("the machine rate of %(machines)s", machines=_listed(unset.machines))
    if unset.materials:
        yield gettext("the price of %(materials)s", materials=_listed(unset.materials))


def _listed(names: Sequence[str | None]) -> str:
    return ", ".join(name or gettext("what nobody named") for name in names)


# --- lateness ---------------------------------------------------------------------------------------------------


def _of_lateness(week: Week) -> str:
    late, held = week.late.late, week.late.held
    if not late and not held:
        return gettext("No job is late or held because of cutting now.")
    said = []
    if late:
        said.append(
            ngettext(
                "%(count)s job is late now because of cutting: %(job)s.",
                "%(count)s jobs are late now because of cutting; the longest overdue is %(job)s.",
                len(late), job=_named(late[0]),
            )
        )  # fmt: skip
    if held:
        said.append(
            ngettext(
                "%(count)s job that is due within %(days)s days is held by cutting: %(job)s.",
                "%(count)s jobs that are due within %(days)s days are held by cutting; the first is %(job)s.",
                len(held), days=number(DUE_SOON_DAYS), job=_named(held[0]),
            )
        )  # fmt: skip
    return " ".join(said)


def _named(job: LateJob) -> str:
    return gettext("%(job)s (due %(day)s, %(why)s)", job=job.job, day=day(job.due), why=_why(job))


def _why(job: LateJob) -> str:
    """What keeps a job, in words."""
    told = []
    if job.to_make:
        told.append(ngettext("%(count)s part still to cut", "%(count)s parts still to cut", job.to_make))
    if job.in_rework:
        told.append(ngettext("%(count)s part in rework", "%(count)s parts in rework", job.in_rework))
    if job.pending:
        told.append(ngettext("%(count)s part not judged", "%(count)s parts not judged", job.pending))
    return ", ".join(told)
