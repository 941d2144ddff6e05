"""How often does `trend` call a week in control out of it, and how soon does it see twice as many failed pierces?"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import expit, logit

from tests.calibrate import asked
from tests.calibrate.figures import Figure
from tests.calibrate.plates import SIZES, Sums, chance_of, good_parts, sizes, sums_of
from worker.measures import FAILED_PIERCES

IN_CONTROL: Final = "trend: signals in 100 weeks in control"
VARIED: Final = "trend: signals in 100 weeks that vary by themselves"
CONFIRMED: Final = "trend: confirmed changes in 100 weeks in control"
QUIET_DAYS: Final = "trend: signals in 100 days of pierces in control"
SEEN: Final = "trend: twice as many failed pierces are seen"
#: Of what opens a finding: the average is tuned to one false signal in 5,000 points, which may last for some points.
#: A single point beyond 3 sigma opens none: normal points give 0.27 in 100, skewed shares of few counts more.
MOST_FALSE: Final = {"ewma": 0.001}
MOST_CONFIRMED: Final = 0.001
#: Standard deviation of the weeks' own yields, on the log odds.
VARIES_BY: Final = 0.6
CHARTS: Final = ("auto", "ewma")

#: A day of pierces: attempts, pierces in each, share that fails, and how alike those of one attempt are.
ATTEMPTS, PIERCES, FAILS, ALIKE_PIERCES = 40, 6, 0.02, 0.1
DAYS_BEFORE: Final = 40
DAYS_AFTER: Final = (2, 5, 10, 15, 20)


@dataclass(frozen=True)
class Case:
    """Weeks of a report, plates in each, true yield."""

    weeks: int
    plates: int
    share: float

    @property
    def words(self) -> str:
        """The case in words."""
        return f"{self.weeks} weeks of {self.plates} plates, yield {self.share:.0%}"


CASES: Final = (Case(8, 20, 0.9), Case(26, 20, 0.9), Case(26, 20, 0.95), Case(52, 10, 0.8))


def figures(seed: int, *, weeks: int, trials: int, cases: tuple[Case, ...] = CASES) -> Iterator[Figure]:
    """False alarms over so many weeks of each case; then how often a change is seen, over so many trials."""
    for kind in SIZES:
        for case in cases:
            yield from _of_weeks(seed, kind, case, weeks)
    yield from _of_pierces(seed, trials)


def _of_weeks(seed: int, kind: str, case: Case, weeks: int) -> Iterator[Figure]:
    reports = weeks // case.weeks
    trials = reports * case.weeks
    for question, varies_by in ((IN_CONTROL, 0.0), (VARIED, VARIES_BY)):
        series = list(_series(chance_of(seed, question, kind, case), kind, case, reports, varies_by))
        plain = _signals(series, "p")[0]
        for chart in CHARTS:
            signals, confirmed = _signals(series, chart)
            demanded = MOST_FALSE.get(chart) if question == IN_CONTROL else None
            words = f"chart={chart}, {case.words}, {kind}"
            yield Figure(
                question, words, (signals / trials,), trials, most=demanded, beside="chart=p", plain=(plain / trials,)
            )
            if question == IN_CONTROL and chart == "auto":
                yield Figure(CONFIRMED, words, (confirmed / trials,), trials, most=MOST_CONFIRMED)


def _series(chance: np.random.Generator, kind: str, case: Case, reports: int, varies_by: float) -> Iterator[list[Sums]]:
    for _ in range(reports):
        share = expit(logit(case.share) + varies_by * chance.standard_normal(case.weeks))
        parts = sizes(chance, kind, (case.weeks, case.plates))
        yield sums_of(good_parts(chance, share[:, None], parts), parts)


def _signals(series: list[list[Sums]], chart: str) -> tuple[int, int]:
    """Signals, and confirmed changes, over all reports."""
    reports = [asked.trend(by_week, chart=chart) for by_week in series]
    return sum(sum(report.signals) for report in reports), sum(report.confirmed for report in reports)


def _of_pierces(seed: int, trials: int) -> Iterator[Figure]:
    """A report a day: the share of failed pierces doubles after the first days, and signals are looked for since."""
    chance = chance_of(seed, "pierces")
    quiet = dict.fromkeys(CHARTS, 0)
    seen: dict[tuple[str, int], int] = dict.fromkeys([(chart, days) for chart in CHARTS for days in DAYS_AFTER], 0)
    for _ in range(trials):
        by_day = _days_of_pierces(chance)
        for chart in CHARTS:
            quiet[chart] += _signals_since(0, by_day[:DAYS_BEFORE], chart)
            for days in DAYS_AFTER:
                seen[chart, days] += _signals_since(DAYS_BEFORE, by_day[: DAYS_BEFORE + days], chart) > 0
    day = f"{ATTEMPTS} attempts of {PIERCES} pierces a day, {FAILS:.0%} fail"
    for chart in CHARTS:
        found = quiet[chart] / trials / DAYS_BEFORE
        yield Figure(QUIET_DAYS, f"chart={chart}, {day}", (found,), trials * DAYS_BEFORE, most=MOST_FALSE.get(chart))
    for (chart, days), many in seen.items():
        words = f"within {days} days, chart={chart}, {day}, then {2 * FAILS:.0%}"
        yield Figure(SEEN, words, (many / trials,), trials)


def _days_of_pierces(chance: np.random.Generator) -> list[Sums]:
    days = DAYS_BEFORE + max(DAYS_AFTER)
    fails = np.where(np.arange(days) < DAYS_BEFORE, FAILS, 2 * FAILS)
    pierces = np.full((days, ATTEMPTS), PIERCES)
    return sums_of(good_parts(chance, fails[:, None], pierces, alike=ALIKE_PIERCES), pierces, of=FAILED_PIERCES)


def _signals_since(first: int, by_day: list[Sums], chart: str) -> int:
    return sum(asked.trend(by_day, chart=chart, of=FAILED_PIERCES).signals[first:])
