"""What a plan rests on, and what it leaves open, in plain sentences."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from worker.placing import mm
from worker.planning.figures import Plan
from worker.planning.orders import Order
from worker.reports.cutting_amounts import Took
from worker.reports.expected_yield import ALIKE_ASSUMED, ENOUGH, ExpectedYield
from worker.sentences import Sentence, counted, figure, joined, sentence
from worker.stats.starts import MOST_STARTS, Plates

_NO_MACHINE_NOTED: Final = sentence("a machine nobody noted")


def said(done: Plan, took: Took, lie: Plates) -> Iterable[str]:
    """What the plan rests on, and what it leaves open."""
    assert done.expected is not None
    assert done.starts is not None
    yield from _starts_said(done)
    yield from _yield_said(done.order, done.expected)
    yield from _alike_said(done, lie)
    setups = len(done.alternatives) + done.more_alternatives
    if setups > 1:
        yield _setups_said(done, setups)
    if done.order.bevel_mdeg is not None:
        yield _bevel_said(done)
    ended = took.lost + took.recovered
    if took.recovered and done.starts.started is not None and done.starts.expected is not None:
        more = (done.starts.started - done.starts.expected) * took.recovered / ended
        yield sentence(
            "good means good at once: %(recovered)s of %(ended)s parts that were not became good by rework, which "
            "makes about %(more)s more here",
            recovered=took.recovered,
            ended=ended,
            more=figure(more, ".1f"),
        )
    if took.between is not None:
        below, above = took.between
        yield sentence(
            "no times of this thickness are known: minutes and scrap are taken to lie between those of %(below)s and "
            "%(above)s mm",
            below=figure(below, "g"),
            above=figure(above, "g"),
        )
    if took.in_rework:
        yield sentence(
            "%(parts)s past parts are still in rework: rework minutes and scrap are those so far", parts=took.in_rework
        )
    if took.untimed and done.order.seconds_a_part is None:
        yield sentence(
            "%(parts)s parts tried are left out of the machine time: on their days the time of an attempt is missing",
            parts=took.untimed,
        )
    if done.cost.expected is not None:
        yield sentence("cost is that of machine time, rework and scrap; the material of good parts is not in it")


def _setups_said(done: Plan, setups: int) -> str:
    best = setup_said(done.machine, done.gas)
    if done.more_alternatives:
        return sentence(
            "%(setups)s setups cut this material: %(setup)s has the highest lower limit of the yield; alternatives "
            "lists the %(listed)s best",
            setups=setups,
            setup=best,
            listed=len(done.alternatives),
        )
    return sentence(
        "%(setups)s setups cut this material: %(setup)s has the highest lower limit of the yield; alternatives lists "
        "them",
        setups=setups,
        setup=best,
    )


def _bevel_said(done: Plan) -> str:
    of_job = figure(mm((done.order.bevel_mdeg or 0) * 1000), "g")
    if done.bevel_mdeg == done.order.bevel_mdeg:
        return sentence(
            "the job states a bevel of %(bevel)s degrees: past cuts with this bevel count",
            bevel=of_job,
        )
    if done.bevel_mdeg is None:
        return sentence(
            "the job states a bevel of %(bevel)s degrees, but past square cuts count, as bevel= asks",
            bevel=of_job,
        )
    return sentence(
        "the job states a bevel of %(bevel)s degrees, but past cuts with one of %(other)s degrees count, as bevel= "
        "asks",
        bevel=of_job,
        other=figure(mm(done.bevel_mdeg * 1000), "g"),
    )


def _starts_said(done: Plan) -> Iterable[str]:
    found = done.starts
    assert found is not None
    if found.started is None or found.chance is None:
        if done.order.parts > MOST_STARTS:
            yield sentence("one order is planned up to %(most)s parts; divide it", most=MOST_STARTS)
        return
    yield sentence(
        "start %(started)s for %(parts)s good ones: enough with a chance of %(chance)s %% (asked %(assurance)s %%), "
        "%(low)s to %(high)s good in 90 %% of cases",
        started=found.started,
        parts=done.order.parts,
        chance=figure(100 * found.chance, ".1f"),
        assurance=figure(100 * done.assurance, "g"),
        low=found.low,
        high=found.high,
    )
    if found.if_known is not None and found.share_of_uncertainty:
        more = found.started - found.if_known
        yield counted(
            more,
            "%(count)s of the %(started)s is started only because the yield is not known better: %(enough)s would do "
            "if it were just that of the past",
            "%(count)s of the %(started)s are started only because the yield is not known better: %(enough)s would do "
            "if it were just that of the past",
            started=found.started,
            enough=found.if_known,
        )
    if done.top_up is not None and done.top_up.expected is not None and done.top_up.second_chance is not None:
        yield sentence(
            "or start %(first)s, inspect, and cut what is missing (a second lot in %(second)s %% of cases): "
            "%(expected)s starts on average, %(low)s to %(high)s in 90 %% of cases",
            first=done.top_up.first,
            second=figure(100 * done.top_up.second_chance, ".0f"),
            expected=figure(done.top_up.expected, ".1f"),
            low=done.top_up.low,
            high=done.top_up.high,
        )


def _yield_said(order: Order, found: ExpectedYield) -> Iterable[str]:
    n = 0.0 if found.counts is None else found.counts.n
    told: dict[str, Any] = {
        "share": figure(100 * (found.share or 0), ".1f"),
        "low": figure(100 * (found.low or 0), ".1f"),
        "high": figure(100 * (found.high or 0), ".1f"),
        "good": found.good,
        "parts": found.parts,
    }
    if found.source == "cell":
        if n >= ENOUGH:
            yield sentence(
                "yield %(share)s %% (%(low)s to %(high)s %%): %(good)s of %(parts)s first-attempt parts were good at "
                "this thickness and condition",
                **told,
            )
        else:
            yield sentence(
                "yield %(share)s %% (%(low)s to %(high)s %%): %(good)s of %(parts)s first-attempt parts were good at "
                "this thickness and condition; they tell as little as %(independent)s independent ones",
                **told,
                independent=figure(n, ".1f"),
            )
    elif found.source == "curve":
        curve = sentence(
            "yield %(share)s %% (%(low)s to %(high)s %%) from the curve over thickness, since %(good)s of %(parts)s "
            "first-attempt parts were good at this thickness and condition; it tells as much as %(independent)s "
            "independent parts",
            **told,
            independent=figure(n, ".1f"),
        )
        near = _next_to(order, found)
        yield curve if near is None else joined("; ", [curve, near])
    else:
        yield sentence(
            "yield %(share)s %% (%(low)s to %(high)s %%) from this and all thicker plate, which can only be worse, "
            "since %(good)s of %(parts)s first-attempt parts were good at this thickness and condition and no curve "
            "can be fitted (%(reason)s)",
            **told,
            reason=found.reason,
        )
    unasked = [name for name in ("surface_group", "thermal_history") if getattr(order.cut, name) is None]
    if len(unasked) > 1:
        yield sentence("surface_group and thermal_history: the mix of the past, since none is asked for")
    elif unasked:
        yield sentence("%(field)s: the mix of the past, since none is asked for", field=unasked[0])


def _next_to(order: Order, found: ExpectedYield) -> Sentence | None:
    near = [each for each in (found.below_mm, found.above_mm) if each is not None]
    at = mm(order.cut.thickness_nm) or 0
    if not near:
        return None
    far = (
        sentence("%(thickness)s mm (%(away)s mm away)", thickness=figure(each, "g"), away=figure(abs(each - at), "g"))
        for each in near
    )
    return sentence("next to %(thickness)s mm was cut %(near)s", thickness=figure(at, "g"), near=joined(", ", far))


def _alike_said(done: Plan, lie: Plates) -> Iterable[str]:
    known = None if done.expected is None else done.expected.counts
    if done.correlation is None:
        if known is not None and known.reason == ALIKE_ASSUMED:
            yield sentence("%(assumed)s, of past plates and of those ahead", assumed=ALIKE_ASSUMED)
        elif lie.parts_a_plate > 1:
            yield sentence(
                "how alike parts of one plate are does not show in the past: of plates ahead a correlation of "
                "%(correlation)s is assumed",
                correlation=figure(lie.correlation, ".2f"),
            )
        return
    if lie.parts_a_plate > 1:
        yield sentence(
            "parts of one plate stand or fall together (correlation %(past)s, reckoned with %(ahead)s, %(parts)s parts "
            "a plate): whole plates may be lost",
            past=figure(done.correlation, ".2f"),
            ahead=figure(lie.correlation, ".2f"),
            parts=lie.parts_a_plate,
        )


def setup_said(machine: str | None, gas: str | None) -> str:
    """A machine with its gas, in words."""
    named = machine or _NO_MACHINE_NOTED
    return sentence("%(machine)s with %(gas)s", machine=named, gas=gas) if gas else named
