"""Many questions at once: which answers stand when some would stand out by chance."""

from __future__ import annotations

from collections.abc import Sequence


def benjamini_hochberg(p_values: Sequence[float | None]) -> list[float | None]:
    """The q value of each p value, in their order: calling all with q <= 0.05 findings, at most 5 % are false ones.

    None (nothing was tested) stays None and counts as no question. Benjamini Y, Hochberg Y (1995), J. Royal Statistical
    Society B 57, 289-300.
    """
    tested = sorted((p, place) for place, p in enumerate(p_values) if p is not None)
    q_values: list[float | None] = [None] * len(p_values)
    least = 1.0
    for rank in range(len(tested), 0, -1):
        p, place = tested[rank - 1]
        # In this order, so that no rounding takes q below its p
        least = min(least, p * (len(tested) / rank))
        q_values[place] = least
    return q_values
