"""What report wear says, in sentences. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from worker.reports.wear_bands import (
    FAILED_PIERCE_RATE,
    NOT_GOOD_SHARE,
    PIERCES,
    REWORK_SHARE,
    Judged,
    Served,
    in_units,
)
from worker.sentences import Sentence, counted, figure, joined, sentence
from worker.stats.wear import LEAST_PLATES, MANY_PLATES

_KINDS: Final = {
    "nozzle": sentence("nozzle"),
    "nozzle_centring": sentence("nozzle_centring"),
    "protective_window": sentence("protective_window"),
    "lens": sentence("lens"),
    "slats": sentence("slats"),
}
_FAILURES: Final = {
    FAILED_PIERCE_RATE: sentence("failed pierces"),
    NOT_GOOD_SHARE: sentence("parts not good at once"),
    REWORK_SHARE: sentence("parts reworked"),
}


@dataclass(frozen=True)
class Untold:
    """What is not known: (machine, kind) without a service before its attempts; attempts without pierces, or a time.

    `is_withheld`: attempts of few people are left out of the use too.
    """

    never: Sequence[tuple[str, str]]
    without_pierces: int
    without_seconds: int
    is_withheld: bool = False


def said(
    judged: Sequence[Judged],
    untold: Untold,
    names: Mapping[str, str],
    *,
    use: str,
    tolerance: float,
    target: float | None,
) -> Iterator[Sentence]:
    """What may be concluded, the wear that was found first; then how it was counted."""
    yield from (_wears(one, names, use=use, tolerance=tolerance, target=target) for one in judged if one.wears)
    for served in _unworn(judged):
        yield sentence(
            "%(machine)s, %(service)s: the figures show no wear up to the longest use seen, %(longest)s",
            machine=names.get(served.machine, served.machine),
            service=_KINDS[served.kind],
            longest=_amount(served.longest, use),
        )
    if judged:
        yield sentence(
            "bands double in use, are halved from %(many)s plates on, and are joined until each has %(plates)s plates; "
            "each is held against the freshest one at its own mix of thickness and material",
            many=MANY_PLATES,
            plates=LEAST_PLATES,
        )
        yield sentence(
            "what is replaced when it fails is seldom seen worn, and what is seen to on the same days cannot be told "
            "apart: figures show what went together, not what caused it"
        )
    yield from _left_out(judged)
    if untold.never:
        yield sentence(
            "no service on record before what was cut: %(which)s",
            which=joined("; ", _by_machine(untold.never, names)),
        )
    if judged and untold.is_withheld:
        yield sentence("what is withheld is left out of the use too: use is higher than counted here")
    if use == PIERCES and untold.without_pierces:
        yield counted(
            untold.without_pierces,
            "%(count)s attempt does not tell its pierces: use is higher than counted here",
            "%(count)s attempts do not tell their pierces: use is higher than counted here",
        )
    if use != PIERCES and untold.without_seconds:
        yield counted(
            untold.without_seconds,
            "%(count)s attempt does not tell its time: use is higher than counted here",
            "%(count)s attempts do not tell their time: use is higher than counted here",
        )


def _wears(one: Judged, names: Mapping[str, str], *, use: str, tolerance: float, target: float | None) -> Sentence:
    told: dict[str, Any] = {
        "machine": names.get(one.served.machine, one.served.machine),
        "service": _KINDS[one.served.kind],
        "failures": _FAILURES[one.measure],
        "q": figure(one.q, ".2g"),
    }
    change = one.change
    if change.after is None or change.low is None or change.high is None:
        return sentence(
            "%(machine)s, %(service)s: %(failures)s grow with use (q %(q)s); no change interval is supported: "
            "%(reason)s",
            reason=change.reason,
            **told,
        )
    told |= {name: _amount(at, use) for name, at in (("after", change.after), ("low", change.low))}
    told["high"] = _amount(change.high, use)
    if change.over_target:
        return sentence(
            "%(machine)s, %(service)s: %(failures)s grow with use (q %(q)s); the figures support a change after "
            "%(after)s: from there on they lie above the target, %(target)s, which they reach between %(low)s and "
            "%(high)s",
            target=figure(target, ".2%"),
            **told,
        )
    return sentence(
        "%(machine)s, %(service)s: %(failures)s grow with use (q %(q)s); the figures support a change after "
        "%(after)s: from there on they lie above the freshest band by more than %(tolerance)s, which they reach "
        "between %(low)s and %(high)s",
        tolerance=figure(tolerance, ".2%"),
        **told,
    )


def _unworn(judged: Sequence[Judged]) -> Iterator[Served]:
    """Kinds of service on machines of which no measure shows wear, where any could be tested."""
    by_served: dict[int, list[Judged]] = defaultdict(list)
    for one in judged:
        by_served[id(one.served)].append(one)
    for some in by_served.values():
        if any(one.q is not None for one in some) and not any(one.wears for one in some):
            yield some[0].served


def _left_out(judged: Sequence[Judged]) -> Iterator[Sentence]:
    by_kind: dict[str, int] = defaultdict(int)
    for served in {id(one.served): one.served for one in judged}.values():
        by_kind[served.kind] += served.left_out
    told = [
        sentence("%(count)s (%(service)s)", count=count, service=_KINDS[kind])
        for kind, count in by_kind.items()
        if count
    ]
    if told:
        yield sentence(
            "attempts cut before the first service that is known of a kind are left out: %(counts)s",
            counts=joined(", ", told),
        )


def _by_machine(never: Sequence[tuple[str, str]], names: Mapping[str, str]) -> Iterator[Sentence]:
    by_machine: dict[str, list[Sentence]] = defaultdict(list)
    for machine, kind in never:
        by_machine[machine].append(_KINDS[kind])
    for machine, kinds in by_machine.items():
        yield sentence("%(machine)s: %(services)s", machine=names.get(machine, machine), services=joined(", ", kinds))


def _amount(amount: int, use: str) -> Sentence:
    shown = figure(in_units(amount, use), ".0f" if use == PIERCES else ".3g")
    if use == PIERCES:
        return sentence("%(amount)s pierces", amount=shown)
    return sentence("%(amount)s hours of cutting", amount=shown)
