"""What a report can be told beside window, division, filters and confidence: a word out of a few. Pure."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Option:
    """A parameter of some reports. The first word is what it is without being asked."""

    name: str
    definition: str
    words: tuple[str, ...]

    @property
    def default(self) -> str:
        """What holds when it is not asked for."""
        return self.words[0]
