"""What a plan rests on, and what it leaves open, in plain sentences."""

from __future__ import annotations

from collections.abc import Iterable

from worker.placing import mm
from worker.planning.figures import Plan
from worker.planning.orders import Order
from worker.reports.cutting_amounts import Took
from worker.reports.expected_yield import ALIKE_ASSUMED, ENOUGH, ExpectedYield
from worker.stats.starts import MOST_STARTS, Plates


def said(done: Plan, took: Took, lie: Plates) -> Iterable[str]:
    """What the plan rests on, and what it leaves open."""
    assert done.expected is not None
    assert done.starts is not None
    yield from _starts_said(done)
    yield from _yield_said(done.order, done.expected)
    yield from _alike_said(done, lie)
    setups = len(done.alternatives) + done.more_alternatives
    if setups > 1:
        listed = f"the {len(done.alternatives)} best" if done.more_alternatives else "them"
        yield (
            f"{setups} setups cut this material: {_setup_of(done)} has the highest lower limit of the yield; "
            f"alternatives lists {listed}"
        )
    if done.order.bevel_mdeg is not None:
        yield _bevel_said(done)
    ended = took.lost + took.recovered
    if took.recovered and done.starts.started is not None and done.starts.expected is not None:
        more = (done.starts.started - done.starts.expected) * took.recovered / ended
        yield (
            f"good means good at once: {took.recovered} of {ended} parts that were not became good by rework, which "
            f"makes about {more:.1f} more here"
        )
    if took.between is not None:
        below, above = took.between
        yield (
            f"no times of this thickness are known: minutes and scrap are taken to lie between those of {below:g} and "
            f"{above:g} mm"
        )
    if took.in_rework:
        yield f"{took.in_rework} past parts are still in rework: rework minutes and scrap are those so far"
    if took.untimed and done.order.seconds_a_part is None:
        yield (
            f"{took.untimed} parts tried are left out of the machine time: on their days the time of an attempt is "
            "missing"
        )
    if done.cost.expected is not None:
        yield "cost is that of machine time, rework and scrap; the material of good parts is not in it"


def _bevel_said(done: Plan) -> str:
    of_job = f"{mm((done.order.bevel_mdeg or 0) * 1000):g} degrees"
    if done.bevel_mdeg == done.order.bevel_mdeg:
        return f"the job states a bevel of {of_job}: past cuts with this bevel count"
    counted = "square cuts" if done.bevel_mdeg is None else f"cuts with one of {mm(done.bevel_mdeg * 1000):g} degrees"
    return f"the job states a bevel of {of_job}, but past {counted} count, as bevel= asks"


def _starts_said(done: Plan) -> Iterable[str]:
    found = done.starts
    assert found is not None
    if found.started is None or found.chance is None:
        if done.order.parts > MOST_STARTS:
            yield f"one order is planned up to {MOST_STARTS} parts; divide it"
        return
    yield (
        f"start {found.started} for {done.order.parts} good ones: enough with a chance of {100 * found.chance:.1f} % "
        f"(asked {100 * done.assurance:g} %), {found.low} to {found.high} good in 90 % of cases"
    )
    if found.if_known is not None and found.share_of_uncertainty:
        more = found.started - found.if_known
        yield (
            f"{more} of the {found.started} {'is' if more == 1 else 'are'} started only because the yield is not known "
            f"better: {found.if_known} would do if it were just that of the past"
        )
    if done.top_up is not None and done.top_up.expected is not None and done.top_up.second_chance is not None:
        yield (
            f"or start {done.top_up.first}, inspect, and cut what is missing (a second lot in "
            f"{100 * done.top_up.second_chance:.0f} % of cases): {done.top_up.expected:.1f} starts on average, "
            f"{done.top_up.low} to {done.top_up.high} in 90 % of cases"
        )


def _yield_said(order: Order, found: ExpectedYield) -> Iterable[str]:
    own = f"{found.good} of {found.parts} first-attempt parts were good at this thickness and condition"
    share = f"{100 * (found.share or 0):.1f} % ({100 * (found.low or 0):.1f} to {100 * (found.high or 0):.1f} %)"
    n = 0.0 if found.counts is None else found.counts.n
    if found.source == "cell":
        few = "" if n >= ENOUGH else f"; they tell as little as {n:.1f} independent ones"
        yield f"yield {share}: {own}{few}"
    elif found.source == "curve":
        yield (
            f"yield {share} from the curve over thickness, since {own}; it tells as much as {n:.1f} independent parts"
            f"{_next_to(order, found)}"
        )
    else:
        yield (
            f"yield {share} from this and all thicker plate, which can only be worse, since {own} and no curve can be "
            f"fitted ({found.reason})"
        )
    unasked = [name for name in ("surface_group", "thermal_history") if getattr(order.cut, name) is None]
    if unasked:
        yield f"{' and '.join(unasked)}: the mix of the past, since none is asked for"


def _next_to(order: Order, found: ExpectedYield) -> str:
    near = [each for each in (found.below_mm, found.above_mm) if each is not None]
    at = mm(order.cut.thickness_nm) or 0
    if not near:
        return ""
    far = ", ".join(f"{each:g} mm ({abs(each - at):g} mm away)" for each in near)
    return f"; next to {at:g} mm was cut {far}"


def _alike_said(done: Plan, lie: Plates) -> Iterable[str]:
    known = None if done.expected is None else done.expected.counts
    if done.correlation is None:
        if known is not None and known.reason == ALIKE_ASSUMED:
            yield f"{ALIKE_ASSUMED}, of past plates and of those ahead"
        elif lie.parts_a_plate > 1:
            yield (
                "how alike parts of one plate are does not show in the past: of plates ahead a correlation of "
                f"{lie.correlation:.2f} is assumed"
            )
        return
    if lie.parts_a_plate > 1:
        yield (
            f"parts of one plate stand or fall together (correlation {done.correlation:.2f}, reckoned with "
            f"{lie.correlation:.2f}, {lie.parts_a_plate} parts a plate): whole plates may be lost"
        )


def _setup_of(done: Plan) -> str:
    gas = f" with {done.gas}" if done.gas else ""
    return f"{done.machine or 'a machine nobody noted'}{gas}"
