"""Report lots: is a heat, or a supplier, worse than chance explains?"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

from sqlalchemy import func, select

from worker.batches import in_batches
from worker.measures import FIRST_PASS
from worker.plausible_series import MACHINE, heat_by_machine
from worker.reports.comparing import compared_groups, counts_of, described, invented
from worker.reports.options import Option
from worker.reports.questions import Question
from worker.reports.reading import Group, Reader, Sums, conditions_of, spellings
from worker.reports.report import Column, Report
from worker.sentences import Sentence, figure, joined, sentence
from worker.stats.clustering import Clustered
from worker.stats.lots import FALSE_SHARE, Funnel, funnel
from worker.stats.tails import at_least, at_most

LOT_OF: Final = Option("lot", "what makes a lot: mill and heat number together, or the supplier", ("heat", "supplier"))
OPTIONS: Final = (LOT_OF,)
_DIMENSIONS: Final = {"heat": ("mill", "heat_number"), "supplier": ("supplier",)}
#: A lot is called worse only when it was seen on so many plates, on so many days, with no service of the machine
#: between them: else the machine may have changed, not the steel.
LEAST_PLATES: Final = 2
LEAST_DAYS: Final = 2
#: A machine's part of a lot is bad, or fine, where chance brings as much with less than this probability.
UNLIKELY: Final = 0.05

#: Like is compared with like.
STRATUM: Final = ("thickness", "material", "machine")

COLUMNS: Final = (
    Column("mill", "", "steel mill; null for suppliers", "text"),
    Column("lot", "", "heat number, or supplier", "text"),
    Column("verdict", "", "worse or better than chance explains; watch: perhaps worse; null: neither", "text"),
    Column(
        "parts",
        "parts",
        "judged parts of first attempts, of thicknesses and materials and on machines that other lots have too",
        "integer",
    ),
    Column("not_good", "parts", "those among them that were not good at once", "integer"),
    Column("plates", "", "plates (else runs, else attempts) among them; one cut on two days counts twice", "integer"),
    Column("days", "", "production days on which they were cut", "integer"),
    Column("machines", "", "machines on which they were cut; null where there is no need to look", "integer"),
    Column("failure_share", "share (0-1)", "not good over parts"),
    Column("expected_share", "share (0-1)", "what the other lots give: same thicknesses, materials, machines"),
    Column("watch_low", "share (0-1)", "least share that chance explains, 95 %"),
    Column("watch_high", "share (0-1)", "largest share that chance explains, 95 %"),
    Column("alarm_low", "share (0-1)", "least share that chance explains, 99.8 %"),
    Column("alarm_high", "share (0-1)", "largest share that chance explains, 99.8 %"),
    Column("design_effect", "", "so many times fewer independent parts would tell as much"),
    Column("p_value", "", "chance of a share as far out, if the lot were like the others"),
    Column("q_value", "", "the same after Benjamini and Hochberg, over all lots shown"),
    Column("suspect", "", "what to look at first, for a lot that is worse than chance explains", "text"),
    Column(
        "parts_left_out", "parts", "parts of a thickness and material that the machine cut of no other lot", "integer"
    ),
    Column("reason", "", "why there is no verdict, or what it rests on", "text"),
)
DETAILS: Final = (
    Column("lots", "", "lots that were compared", "integer"),
    Column("lots_without_verdict", "", "lots with too few parts, or nothing to compare them with", "integer"),
    Column("parts_without_lot", "parts", "parts of plates whose lot is not known", "integer"),
)


@dataclass
class Seen:
    """How a lot was seen: on each machine (judged parts, not good ones), and how its plates lie in time."""

    parts: dict[str | None, tuple[int, int]] = field(default_factory=dict)
    #: By machine: (when its first cut on the machine began, plate, production day).
    plates: dict[str | None, list[tuple[int, str, str]]] = field(default_factory=lambda: defaultdict(list))
    #: By machine: when it was serviced.
    services: Mapping[str | None, Collection[int]] = field(default_factory=dict)

    @property
    def without_service(self) -> bool:
        """Two plates on two days on one machine, with no service between them; one not tracked is a run."""
        for machine, cuts in self.plates.items():
            services = sorted(self.services.get(machine, ()))
            stretches: dict[int, list[tuple[str, str]]] = defaultdict(list)
            for began_us, plate, day in cuts:
                stretches[bisect_left(services, began_us)].append((plate, day))
            # Of two plates and two days some cut is of another plate and of another day than some other.
            for stretch in stretches.values():
                if len({plate for plate, _ in stretch}) > 1 and len({day for _, day in stretch}) > 1:
                    return True
        return False


#: Lots -> how each was seen.
Look = Callable[[Iterable[Group]], Mapping[Group, Seen]]


def told_apart(question: Question) -> tuple[str, ...]:
    """What its rows are of, and the machines that its sentences name."""
    return (*_DIMENSIONS[question.options.get(LOT_OF.name, LOT_OF.default)], "machine")


def bad_lots(reader: Reader, question: Question) -> Report:
    """Each lot against the others of the same thickness and material on the same machine, worst first.

    By machine too, since a lot that only the weaker machine cut would else look worse than its steel is; by material,
    since every heat of a grade that is hard to cut would else look bad beside those of an easy one.
    """
    names = _DIMENSIONS[question.options[LOT_OF.name]]
    groups, unsettled, notes = compared_groups(reader, question, (*names, *STRATUM, "day"))
    settled = replace(question, without_days=frozenset(unsettled))

    def look(lots: Iterable[Group]) -> Mapping[Group, Seen]:
        return _seen(reader, settled, names, lots)

    return _answer(reader, question, groups, notes, look)


def _answer(reader: Reader, question: Question, groups: dict[Group, Sums], notes: list[str], look: Look) -> Report:
    width = len(_DIMENSIONS[question.options[LOT_OF.name]])
    lots: dict[Group, dict[Any, list[Sums]]] = {}
    days: dict[Group, set[str]] = {}
    unknown: list[Sums] = []
    for group, sums in groups.items():
        lot, stratum, day = group[:width], group[width:-1], group[-1]
        if lot[-1] is None:
            unknown.append(sums)
        elif sums["parts_judged_first"]:
            lots.setdefault(lot, {}).setdefault(stratum, []).append(sums)
            days.setdefault(lot, set()).add(day)
    strata: dict[Group, dict[Any, Clustered]] = {
        lot: {stratum: counts_of(found).failures for stratum, found in by.items()} for lot, by in lots.items()
    }
    placed = funnel(strata)
    firm = [lot for lot, found in placed.items() if _is_firm(found, len(days[lot]))]
    seen = look(firm)
    tells_suspect = "heat_or_machine" not in reader.calendar.latest.limits.off
    rows = [
        _row(lot, found, len(days[lot]), seen.get(lot), of_supplier=width == 1, tells_suspect=tells_suspect)
        for lot, found in placed.items()
    ]
    rows.sort(key=lambda row: (row["q_value"] is None, row["q_value"] or 0.0, row["mill"] or "", row["lot"]))
    without = sum(1 for found in placed.values() if found.p is None)
    details = {
        "lots": len(placed) - without,
        "lots_without_verdict": without,
        "parts_without_lot": sum(sums[FIRST_PASS.n] for sums in unknown),
    }
    return described("lots", reader, question, columns=COLUMNS, rows=rows, details=details, notes=notes + _said(rows))


def _is_firm(found: Funnel, days: int) -> bool:
    """Beyond 99.8 %, no chance among many, on enough plates and days."""
    is_out = found.outside == "alarm" and found.q is not None and found.q < 0.05
    return is_out and found.clusters >= LEAST_PLATES and days >= LEAST_DAYS


def _row(
    lot: Group, found: Funnel, days: int, seen: Seen | None, *, of_supplier: bool, tells_suspect: bool
) -> dict[str, Any]:
    verdict = _verdict(found, seen)
    return {
        "mill": None if of_supplier else lot[0],
        "lot": lot[-1],
        "verdict": verdict,
        "parts": round(found.n),
        "not_good": round(found.x),
        "plates": found.clusters,
        "days": days,
        "machines": None if seen is None else len(seen.plates),
        "failure_share": found.share,
        "expected_share": found.expected,
        "watch_low": found.warning and found.warning.low,
        "watch_high": found.warning and found.warning.high,
        "alarm_low": found.alarm and found.alarm.low,
        "alarm_high": found.alarm and found.alarm.high,
        "design_effect": found.design_effect,
        "p_value": found.p,
        "q_value": found.q,
        "suspect": _suspect(seen, found) if verdict == "worse" and seen is not None and tells_suspect else None,
        "parts_left_out": round(found.left_out),
        "reason": found.reason,
    }


def _verdict(found: Funnel, seen: Seen | None) -> str | None:
    if found.outside is None:
        return None
    if seen is not None and seen.without_service:
        return found.side
    return "watch" if found.side == "worse" else None


def _suspect(seen: Seen, found: Funnel) -> str:
    """What to look at first. A machine is bad or fine with the lot only where its parts tell so beyond chance."""
    told = {machine: counts for machine, counts in seen.parts.items() if machine is not None and counts[0]}
    if len(told) < 2:
        return sentence("it was cut on one machine only: cut a plate of it on another before the steel is blamed")
    is_bad = {machine: bad for machine, (n, x) in told.items() if (bad := _is_bad(n, x, found)) is not None}
    suspicion = heat_by_machine(is_bad)
    if suspicion is None or (suspicion.suspect == MACHINE and len(is_bad) < len(told)):
        unclear = sorted(machine for machine in told if machine not in is_bad) or sorted(told)
        return sentence(
            "what %(machines)s cut of it does not tell the machine from the steel: cut more of it there",
            machines=joined(", ", unclear),
        )
    return suspicion.detail


def _is_bad(n: int, x: int, found: Funnel) -> bool | None:
    """True where x of n bad parts are more than the others' rate gives, False where fewer than the lot's; else None."""
    effect = found.design_effect or 1.0
    if at_least(x / effect, n / effect, found.expected or 0.0) < UNLIKELY:
        return True
    return False if at_most(x / effect, n / effect, found.share or 0.0) < UNLIKELY else None


def _seen(reader: Reader, question: Question, names: tuple[str, ...], lots: Iterable[Group]) -> dict[Group, Seen]:
    """How these lots were seen in the window: first attempts that were judged, and the services of their machines."""
    a, s = reader.tables.attempts.c, reader.tables.services.c
    wanted = sorted(lots, key=repr)
    found = {lot: Seen() for lot in wanted}
    days = (question.first_day.isoformat(), question.last_day.isoformat())
    lot_of = [a[name] for name in names]
    judged = a.good + a.rework + a.scrap + a.not_made
    cluster = func.coalesce(a.cluster, a.attempt)
    for some in in_batches(wanted):
        query = (
            select(*lot_of, a.machine, cluster, a.day, func.min(a.started_us), func.sum(judged), func.sum(a.good))
            .where(*conditions_of(reader, question, a))
            .where(a.is_first == 1, judged > 0)
            .where(a[names[-1]].in_([lot[-1] for lot in some]))
            .group_by(*lot_of, a.machine, cluster, a.day)
        )
        for *lot, machine, plate, day, began_us, parts, good in reader.connection.execute(query):
            if (seen := found.get(tuple(lot))) is not None:
                n, bad = seen.parts.get(machine, (0, 0))
                seen.parts[machine] = (n + int(parts), bad + int(parts) - int(good))
                seen.plates[machine].append((began_us, plate, day))
    spelled = spellings(reader, "machine")
    if wanted:
        services: dict[str | None, list[int]] = defaultdict(list)
        query_services = select(s.machine, s.time_us).where(s.site == reader.site, s.day.between(*days))
        for machine, at in reader.connection.execute(query_services):
            services[machine].append(at)
        for seen in found.values():
            seen.services = services
            seen.parts = {machine and spelled.get(machine, machine): told for machine, told in seen.parts.items()}
    return found


def _said(rows: list[dict[str, Any]]) -> list[str]:
    if not any(row["q_value"] is not None for row in rows):
        return [
            sentence("no lot could be compared: none has parts enough beside others of its thickness on its machine")
        ]
    notes: list[str] = [_is_worse(row) for row in rows if row["verdict"] == "worse"]
    unconfirmed = [
        sentence(
            "lot %(lot)s lies beyond what chance explains, but not on two plates on two days without a service in "
            "between: the machine may have changed, not the steel",
            lot=row["lot"],
        )
        for row in rows
        if row["verdict"] == "watch" and row["q_value"] < FALSE_SHARE and row["failure_share"] > row["alarm_high"]
    ]
    if notes or unconfirmed:
        return notes + unconfirmed
    return [sentence("no lot is worse than chance explains, at 99.8 % and after correction for looking at all of them")]


def _is_worse(row: dict[str, Any]) -> Sentence:
    """What is said of a lot that is worse than chance explains, with what to look at first where that is told."""
    worse = sentence(
        "lot %(lot)s is worse than chance explains: %(not_good)s of %(parts)s parts on %(plates)s plates were not good "
        "at once, %(expected)s would be expected",
        lot=row["lot"],
        not_good=row["not_good"],
        parts=row["parts"],
        plates=row["plates"],
        expected=figure(row["expected_share"], ".0%"),
    )
    return joined("; ", [worse, row["suspect"]]) if row["suspect"] else worse


def example(reader: Reader, question: Question) -> Report:
    """Two heats and what was cut of the others, invented."""
    groups = {
        ("Nordhelm", "H48213", 20_000_000, "s355", "laser 1", "2026-03-02"): invented(parts=40, good=20, plates=4),
        ("Nordhelm", "H48213", 20_000_000, "s355", "laser 1", "2026-03-03"): invented(parts=40, good=20, plates=4),
        ("Nordhelm", "H48300", 20_000_000, "s355", "laser 1", "2026-03-02"): invented(parts=80, good=76, plates=8),
        ("Sundvik", "7711", 20_000_000, "s355", "laser 1", "2026-03-04"): invented(parts=120, good=114, plates=12),
    }

    def look(lots: Iterable[Group]) -> Mapping[Group, Seen]:
        plates: dict[str | None, list[tuple[int, str, str]]] = {
            "laser 1": [(0, "P-1", "2026-03-02"), (1, "P-2", "2026-03-03")],
            "laser 2": [(2, "P-3", "2026-03-03")],
        }
        return {lot: Seen({"laser 1": (40, 20), "laser 2": (40, 20)}, plates) for lot in lots}

    return _answer(reader, question, groups, [], look)
