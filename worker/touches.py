"""Which tallies and names what was folded touches. Plain values, so that they can be sent between processes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from worker.tables import DIMENSIONS

NAMED: Final = ("material", "machine", "recipe")


@dataclass
class Touches:
    """(day, combination) of tallies, (kind, key) of names, and the dimensions of combinations."""

    tallies: set[tuple[str, int]] = field(default_factory=set)
    rework_tallies: set[tuple[str, int]] = field(default_factory=set)
    names: set[tuple[str, str]] = field(default_factory=set)
    combinations: dict[int, dict[str, Any]] = field(default_factory=dict)

    def attempt(self, row: Mapping[str, Any]) -> None:
        """Take in an attempt's row as it was, or as it is."""
        combination = row["combination"]
        if row["day"] is not None:
            self.tallies.add((row["day"], combination))
            if combination not in self.combinations:
                self.combinations[combination] = {name: row[name] for name in DIMENSIONS}
        for kind in NAMED:
            if (key := row[kind]) is not None:
                self.names.add((kind, key))

    def combination(self, number: int, dimensions: Mapping[str, Any]) -> None:
        """Take in the dimensions of a combination."""
        self.combinations.setdefault(number, dict(dimensions))

    def rework(self, row: Mapping[str, Any]) -> None:
        """Take in a rework row as it was, or as it is."""
        self.rework_tallies.add((row["day"], row["combination"]))

    def update(self, others: Touches) -> None:
        """Take in all that others touch."""
        self.tallies |= others.tallies
        self.rework_tallies |= others.rework_tallies
        self.names |= others.names
        self.combinations |= others.combinations
