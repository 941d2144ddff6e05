"""What was found by simulation, beside what is demanded and what a plain method gives."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

#: Standard errors by which a short run may miss what is demanded.
SLACK: Final = 4.0


@dataclass(frozen=True)
class Figure:
    """Shares (0-1) of simulated cases, one or several that one demand is made of; `trials` each rests on.

    `least` and `most`: what is demanded of each, None: nothing. `beside` says what `plain` are; `plain_below`: each of
    them must be less, else the clusters would not matter.
    """

    question: str
    case: str
    found: tuple[float, ...]
    trials: int
    least: float | None = None
    most: float | None = None
    beside: str = ""
    plain: tuple[float, ...] = ()
    plain_below: float | None = None

    @property
    def met(self) -> bool | None:
        """True when all is as demanded; None when nothing is demanded."""
        return self.meets(slack=0.0)

    def meets(self, *, slack: float) -> bool | None:
        """The same, with so many standard errors of leeway."""
        if self.least is None and self.most is None and self.plain_below is None:
            return None
        least, most = self.least or 0.0, 1.0 if self.most is None else self.most
        below = 1.0 if self.plain_below is None else self.plain_below
        inside = all(
            least - slack * self._error(least) - 1e-12 <= share <= most + slack * self._error(most) + 1e-12
            for share in self.found
        )
        return inside and all(share <= below + slack * self._error(below) + 1e-12 for share in self.plain)

    def _error(self, share: float) -> float:
        return math.sqrt(share * (1 - share) / self.trials) if self.trials else 0.0

    @property
    def demanded(self) -> str:
        """The demand in words."""
        words = []
        if self.least is not None and self.most is not None:
            words.append(f"{100 * self.least:g} to {100 * self.most:g} %")
        elif self.most is not None:
            words.append(f"at most {100 * self.most:g} %")
        elif self.least is not None:
            words.append(f"at least {100 * self.least:g} %")
        if self.plain_below is not None:
            words.append(f"plain below {100 * self.plain_below:g} %")
        return ", ".join(words)


def by_question(figures: Iterable[Figure]) -> list[Figure]:
    """The figures with those of one question together, in the order of their first."""
    found: dict[str, list[Figure]] = {}
    for figure in figures:
        found.setdefault(figure.question, []).append(figure)
    return [figure for some in found.values() for figure in some]
