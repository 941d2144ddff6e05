"""What a report can be told beside window, division, filters and confidence: a word, a number or a name. Pure."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from worker.sentences import Sentence, figure, joined, sentence

LONGEST_NAME: Final = 200
MOST_DECIMALS: Final = 6


class OptionUnreadable(ValueError):
    """What was told is none of what would do; `what` says what would."""

    def __init__(self, what: Sentence) -> None:
        super().__init__(what)
        self.what = what


@dataclass(frozen=True)
class Option:
    """A word out of a few. The first is what holds when none is told."""

    name: str
    definition: str
    words: tuple[str, ...]

    @property
    def default(self) -> str:
        """What holds when it is not told."""
        return self.words[0]

    def read(self, text: str) -> str:
        """The word; raises OptionUnreadable."""
        if text not in self.words:
            raise OptionUnreadable(sentence("must be one of %(words)s", words=", ".join(self.words)))
        return text

    def usual(self, _targets: Mapping[str, Any]) -> str:
        """What holds at a site with these targets when it is not told."""
        return self.default


@dataclass(frozen=True)
class NumberOption:
    """A number within bounds, both inside. `target`: the site's target that holds when it is not told, else `default`.

    default None: nothing holds then.
    """

    name: str
    definition: str
    low: float
    high: float
    default: float | None = None
    unit: str = ""
    whole: bool = False
    target: str | None = None

    def read(self, text: str) -> float:
        """The number; raises OptionUnreadable."""
        form = r"[0-9]{1,9}" if self.whole else rf"[0-9]{{0,9}}(\.[0-9]{{1,{MOST_DECIMALS}}})?"
        if text and re.fullmatch(form, text, re.ASCII) and self.low <= float(text) <= self.high:
            return int(text) if self.whole else float(text)
        told = {"low": figure(self.low, "g"), "high": figure(self.high, "g")}
        if self.whole:
            must = sentence("must be a whole number from %(low)s to %(high)s", **told)
        else:
            must = sentence(
                "must be a number of at most %(decimals)s decimals from %(low)s to %(high)s",
                decimals=MOST_DECIMALS,
                **told,
            )
        raise OptionUnreadable(joined(" ", (must, f"({self.unit})")) if self.unit else must)

    def usual(self, targets: Mapping[str, Any]) -> float | None:
        """What holds at a site with these targets when it is not told: the target, as far as it is within bounds."""
        told = targets.get(self.target) if self.target else None
        return self.default if told is None else min(self.high, max(self.low, float(told)))


@dataclass(frozen=True)
class NameOption:
    """A name as people write it; None when it is not told. `kind`: of which names it is, for the aliases."""

    name: str
    definition: str
    kind: str
    example: str
    default: None = None

    def read(self, text: str) -> str:
        """The name; raises OptionUnreadable."""
        if not text.strip() or len(text) > LONGEST_NAME or "\0" in text:
            raise OptionUnreadable(sentence("must be a name of 1 to %(most)s characters", most=LONGEST_NAME))
        return text

    def usual(self, _targets: Mapping[str, Any]) -> None:
        """Nothing holds when it is not told."""


#: Of every report that says what may be promised.
YIELD_TARGET: Final = NumberOption(
    "target", "first-pass yield to be reached", 0.5, 0.999, 0.9, "share (0-1)", target="first_pass_yield"
)

AnyOption = Option | NumberOption | NameOption
