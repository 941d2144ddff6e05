"""Does a share rise or fall along ordered groups, like with like: one test over strata."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

from worker.sentences import sentence
from worker.stats.clustering import Effective, joint_degrees
from worker.stats.proportions import by_student

NO_TWO_GROUPS: Final = sentence("nothing to compare: no stratum has two groups whose parts differ")
TOO_FEW_TO_TREND: Final = sentence("too few failures to tell a trend")

#: Fewer effective failures, or fewer others, make no normal sum.
_LEAST: Final = 5.0


@dataclass(frozen=True, slots=True)
class OrderedTrend:
    """Test of no trend. `z` above 0: the share rises with the score. `p` is two-sided; None with the reason."""

    z: float | None
    p: float | None
    reason: str | None = None

    @property
    def rises(self) -> bool:
        """The share goes up with the score, by chance or not."""
        return self.z is not None and self.z > 0


def ordered_trend(strata: Sequence[Sequence[tuple[float, Effective]]]) -> OrderedTrend:
    """Trend of x/n over scores; each stratum is its groups, each given as (score, effective counts).

    Mantel's extension of the test of Cochran and Armitage: within each stratum the scores of the failures less what the
    stratum's own share would give, summed over strata. With one stratum of independent parts its square is (n - 1) r^2.
    The p value is that of Student's t where few plates tell how parts are alike. Mantel N (1963), Journal of the
    American Statistical Association 58, 690-700; Armitage P (1955), Biometrics 11, 375-386 (both from memory).
    """
    told = [[group for group in groups if group[1].n > 0] for groups in strata]
    telling = [groups for groups in told if _has_information(groups)]
    if not telling:
        return OrderedTrend(None, None, NO_TWO_GROUPS)
    members = [counts for groups in telling for _, counts in groups]
    failures = math.fsum(counts.x for counts in members)
    if min(failures, math.fsum(counts.n for counts in members) - failures) < _LEAST - 1e-12:
        return OrderedTrend(None, None, TOO_FEW_TO_TREND)
    parts = [_sum_and_variance(groups) for groups in telling]
    z = math.fsum(part for part, _ in parts) / math.sqrt(math.fsum(variance for _, variance in parts))
    p = 2 * NormalDist().cdf(-abs(z))
    return OrderedTrend(z, by_student(p, joint_degrees(members)))


def _has_information(groups: Sequence[tuple[float, Effective]]) -> bool:
    """Two scores, more than one effective part, and parts of both kinds."""
    x = math.fsum(counts.x for _, counts in groups)
    n = math.fsum(counts.n for _, counts in groups)
    return len({score for score, _ in groups}) > 1 and n > 1 + 1e-9 and 1e-12 < x < n - 1e-12


def _sum_and_variance(groups: Sequence[tuple[float, Effective]]) -> tuple[float, float]:
    """Scores of the failures less what is expected of them, and its variance given the stratum's totals."""
    x = math.fsum(counts.x for _, counts in groups)
    n = math.fsum(counts.n for _, counts in groups)
    mean = math.fsum(score * counts.n for score, counts in groups) / n
    spread = math.fsum(counts.n * (score - mean) ** 2 for score, counts in groups)
    return (
        math.fsum((score - mean) * counts.x for score, counts in groups),
        x * (n - x) / (n * (n - 1)) * spread,
    )
