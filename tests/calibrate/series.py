"""Does a proof err as seldom as it says, and does its bound hold although the series may stop early?

Beside the nominal risks stand the real ones: exact, by counting all ways in which a series can end; and simulated, by
the very rule by which `GET /v1/proofs` decides. Trials are independent, or several stand on a plate and are alike.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np

from tests.calibrate.figures import Figure
from tests.calibrate.plates import ALIKE, chance_of, good_parts
from worker.proof_plans import Plan, Practice, Risks, Rule, percent, practice_of
from worker.proof_standing import DECIDED, PASSED, Standing, Trial, standing
from worker.stats.clustering import Clustered, correlation
from worker.stats.proportions import exact_bound
from worker.stats.sequential import Ending, endings, lower_bound

CONSUMER: Final = "proof: what is not good enough passes (consumer's risk)"
PRODUCER: Final = "proof: what is good enough fails (producer's risk)"
AS_COUNTED: Final = "proof: the rule passes as often as all its ways to end add up to"
BOUND: Final = "proof: the bound of a series that ended holds, over all reliabilities"
CUTS_A_PLATE: Final = 4
ON_PLATES: Final = f"proof, {CUTS_A_PLATE} cuts a plate: what is not good enough passes"
ON_PLATES_FAIL: Final = f"proof, {CUTS_A_PLATE} cuts a plate: what is good enough fails"
ON_PLATES_BOUND: Final = f"proof, {CUTS_A_PLATE} cuts a plate: the bound holds"
ALONE: Final = "cuts taken for independent"
SPREAD: Final = "proof: the bound holds, days asked for, several cuts a day"
#: Standard errors by which a simulated share may differ from the exact one.
AGREES: Final = 4.0
CUTS_A_DAY: Final = 10
#: Reliabilities of a rule's conduct that are simulated: the worst of them first.
POINTS: Final = 3
#: Plates cut before a series, which tell how alike cuts of one plate are: many, few, none.
PLATES_BEFORE: Final = (60, 12, 0)

RULES: Final = (
    Rule(0.95, 0.95),
    Rule(0.9, 0.9),
    Rule(0.9, 0.95, failures_allowed=2),
    Rule(0.98, 0.95, sequential=Risks(producer=0.05, consumer=0.05, unacceptable_reliability=0.9)),
    Rule(0.95, 0.9, sequential=Risks(producer=0.1, consumer=0.1, unacceptable_reliability=0.8)),
    Rule(0.99, 0.9, sequential=Risks(producer=0.05, consumer=0.1, unacceptable_reliability=0.95)),
)


def figures(seed: int, *, trials: int, rules: tuple[Rule, ...] = RULES) -> Iterator[Figure]:
    """Real risks beside nominal ones, then how bounds hold: so many series a case, half as many on plates or days."""
    half = trials // 2
    tasks: list[Callable[[Rule], list[Figure]]] = [
        _exactly,
        partial(_by_the_rule, seed, trials),
        partial(_on_plates, seed, half),
        partial(_spread_over_days, seed, half),
    ]
    with ProcessPoolExecutor(2) as pool:
        for found in [pool.submit(task, rule) for task in tasks for rule in rules]:
            yield from found.result()


# --- exact ------------------------------------------------------------------------------------------------------


def _exactly(rule: Rule) -> list[Figure]:
    practice = _practice(rule)
    case = f"exact, {_words(rule)}"
    found = [Figure(CONSUMER, case, (practice.consumer_risk,), 0, most=_nominal(rule))]
    if practice.producer_risk is not None and rule.sequential is not None:
        found.append(Figure(PRODUCER, case, (practice.producer_risk,), 0, most=rule.sequential.producer))
    ends = endings(practice.boundary)
    honest = [
        lower_bound(practice.boundary, failures=end.failures, trials=end.trials, confidence=rule.confidence) or 0.0
        for end in ends
    ]
    plain = [
        exact_bound(end.trials - end.failures, end.trials, side="lower", confidence=rule.confidence) or 0.0
        for end in ends
    ]
    coverage, of_plain = (_least_coverage(ends, bounds) for bounds in (honest, plain))
    beside = "as if the trials had been fixed"
    return [*found, Figure(BOUND, case, (coverage,), 0, least=rule.confidence, beside=beside, plain=(of_plain,))]


def _least_coverage(ends: Iterable[Ending], bounds: Iterable[float]) -> float:
    """The least chance, over all reliabilities, that the bound of the end is not above it.

    It is least just under one of the bounds: there this bound fails, and further down ever less often.
    """
    told = list(zip(ends, bounds, strict=True))
    places = sorted({bound - 1e-9 for _, bound in told if bound > 0})
    return min(
        math.fsum(end.chance(reliability) for end, bound in told if bound <= reliability) for reliability in places
    )


# --- simulated, independent -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Tally:
    """Of so many series: how many passed, ended at all, and had a bound that is not above the true reliability."""

    series: int
    passed: int
    ended: int
    held: int

    @property
    def passes(self) -> float:
        """Share that passed."""
        return self.passed / self.series

    @property
    def fails(self) -> float:
        """Share that failed."""
        return (self.ended - self.passed) / self.series

    @property
    def holds(self) -> float:
        """Share of the ended whose bound holds."""
        return self.held / max(1, self.ended)


def _by_the_rule(seed: int, trials: int, rule: Rule) -> list[Figure]:
    practice, found = _practice(rule), []
    for point in practice.operating[:POINTS]:
        true = point.reliability
        chance = chance_of(seed, "series", rule, true)
        tally = _tally((standing(_plan(rule), _cuts(chance, practice.longest, true)) for _ in range(trials)), true)
        error = AGREES * math.sqrt(point.passes * (1 - point.passes) / trials)
        least, most = (round(share, 4) for share in (max(0.0, point.passes - error), min(1.0, point.passes + error)))
        words = f"{_words(rule)}, true {percent(true)}"
        found.append(
            Figure(AS_COUNTED, words, (tally.passes,), trials, least, most, beside="exact", plain=(point.passes,))
        )
    return found


def _cuts(
    chance: np.random.Generator, many: int, reliability: float, *, a_plate: int = 1, a_day: int = 1, alike: float = 0.0
) -> list[Trial]:
    """So many first attempts in order, `a_plate` on each plate."""
    plates = -(-many // a_plate)
    shares = np.full(plates, reliability)
    if alike:
        for_one = (1 - alike) / alike
        shares = chance.beta(reliability * for_one, (1 - reliability) * for_one, plates)
    good = chance.random((plates, a_plate)) < shares[:, None]
    return [
        Trial(
            attempt=f"{number:05}", cluster=f"plate:{number // a_plate}", plate=str(number // a_plate), mill=None,
            heat_number=None, day=f"{number // a_day:05}", started_us=number,
            outcome="good" if is_good else "failed", good=int(is_good),
        )
        for number, is_good in enumerate(good.ravel().tolist())
    ]  # fmt: skip


def _tally(found: Iterable[Standing], reliability: float) -> Tally:
    series, passed, ended, held = 0, 0, 0, 0
    for one in found:
        series += 1
        passed += one.state == PASSED
        ended += one.state in DECIDED
        held += one.state in DECIDED and (one.lower or 0.0) <= reliability
    return Tally(series, passed, ended, held)


# --- several cuts a plate ---------------------------------------------------------------------------------------


def _on_plates(seed: int, trials: int, rule: Rule) -> list[Figure]:
    """Series whose plates hold several cuts; beside them the same cuts, each as if it had a plate of its own."""
    if rule.sequential is None:
        return [figure for past in PLATES_BEFORE for figure in _poor_on_plates(seed, trials, rule, past=past)]
    tally, plain = _tallies_on_plates(seed, rule, trials, rule.reliability, past=0)
    fails = Figure(ON_PLATES_FAIL, _words(rule), (tally.fails,), trials, beside=ALONE, plain=(plain.fails,))
    return [*_poor_on_plates(seed, trials, rule, past=0), fails]


def _poor_on_plates(seed: int, trials: int, rule: Rule, *, past: int) -> list[Figure]:
    """Of what may hardly ever pass: no more than planned, but for the luck of the draw."""
    words, nominal, missed = _words(rule), _nominal(rule), 1 - rule.confidence
    if rule.sequential is None:
        words += f", {past} plates before" if past else ", no past"
    most, missed_at_most = (
        round(share + AGREES * math.sqrt(share * (1 - share) / trials), 4) for share in (nominal, missed)
    )
    tally, plain = _tallies_on_plates(seed, rule, trials, _poor(rule), past=past)
    return [
        Figure(ON_PLATES, words, (tally.passes,), trials, most=most, beside=ALONE, plain=(plain.passes,)),
        Figure(
            ON_PLATES_BOUND, words, (tally.holds,), trials, least=1 - missed_at_most, beside=ALONE, plain=(plain.holds,)
        ),
    ]


def _tallies_on_plates(seed: int, rule: Rule, trials: int, reliability: float, *, past: int) -> tuple[Tally, Tally]:
    chance = chance_of(seed, "plates", rule, reliability, past)
    many = _practice(rule).longest * CUTS_A_PLATE
    found, plain = [], []
    for _ in range(trials):
        cuts = _cuts(chance, many, reliability, a_plate=CUTS_A_PLATE, alike=ALIKE)
        found.append(standing(_plan(rule), cuts, alike=_past(chance, reliability, past)))
        plain.append(standing(_plan(rule), [_alone(cut) for cut in cuts]))
    return _tally(found, reliability), _tally(plain, reliability)


def _past(chance: np.random.Generator, reliability: float, plates: int) -> float | None:
    """Correlation of cuts of one plate, as plates cut before show it; None where they do not."""
    cuts = np.full(plates, CUTS_A_PLATE)
    good = good_parts(chance, reliability, cuts)
    return correlation([Clustered.of(zip(good.tolist(), cuts.tolist(), strict=True))])


def _alone(cut: Trial) -> Trial:
    return Trial(
        attempt=cut.attempt, cluster=cut.attempt, plate=cut.attempt, mill=None, heat_number=None, day=cut.day,
        started_us=cut.started_us, outcome=cut.outcome, good=cut.good,
    )  # fmt: skip


# --- spread -----------------------------------------------------------------------------------------------------


def _spread_over_days(seed: int, trials: int, rule: Rule) -> list[Figure]:
    """A series that may not pass before it was cut on so many days that it goes on where it could have passed."""
    practice = _practice(rule)
    days = -(-practice.longest // CUTS_A_DAY) + 1
    many = days * CUTS_A_DAY + practice.longest
    held = []
    for true in (_poor(rule), (1 + rule.reliability) / 2):
        chance = chance_of(seed, "days", rule, true)
        plan = _plan(rule, least_days=days)
        found = (standing(plan, _cuts(chance, many, true, a_day=CUTS_A_DAY)) for _ in range(trials))
        held.append(_tally(found, true).holds)
    error = AGREES * math.sqrt(rule.confidence * (1 - rule.confidence) / trials)
    words = f"{_words(rule)}, {days} days of {CUTS_A_DAY}"
    return [Figure(SPREAD, words, tuple(held), trials, least=round(rule.confidence - error, 4))]


# --- rules ------------------------------------------------------------------------------------------------------


def _practice(rule: Rule) -> Practice:
    practice = practice_of(rule)
    if practice is None:
        raise ValueError(f"nobody can carry out {rule}")
    return practice


def _plan(rule: Rule, *, least_days: int | None = None) -> Plan:
    return Plan(rule=rule, thickness_nm=20_000_000, machine="laser", material="S355", least_days=least_days)


def _poor(rule: Rule) -> float:
    """The reliability that may hardly ever pass."""
    return rule.reliability if rule.sequential is None else rule.sequential.unacceptable_reliability


def _nominal(rule: Rule) -> float:
    """The consumer's risk that was asked for."""
    return 1 - rule.confidence if rule.sequential is None else rule.sequential.consumer


def _words(rule: Rule) -> str:
    if rule.sequential is None:
        allowed = f"{rule.failures_allowed} failures" if rule.failures_allowed else "no failure"
        return f"reliability {percent(rule.reliability)}, confidence {percent(rule.confidence)}, {allowed}"
    against, risks = percent(rule.sequential.unacceptable_reliability), rule.sequential
    return (
        f"sequential, {percent(rule.reliability)} against {against}, "
        f"risks {percent(risks.producer)} and {percent(risks.consumer)}"
    )
