"""Pareto's order: what counts most comes first, with what it adds up to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Final

Amount = int | float | Decimal

#: Not categories of their own: they stay behind the others, whatever they hold.
REST: Final = ("several", "unstated")


@dataclass(frozen=True, slots=True)
class ParetoEntry:
    """One category. rank is None for what is left over; the shares are None when all amounts are 0.

    share and cumulative_share are of the sum of all amounts, what is left over included.
    """

    name: str
    amount: Amount
    rank: int | None
    share: float | None
    cumulative_share: float | None


def pareto(amounts: Mapping[str, Amount], *, rest: tuple[str, ...] = REST) -> tuple[ParetoEntry, ...]:
    """Categories by amount from the largest, equal ones by name, then the left-over ones in the order of `rest`.

    Amounts are 0 or more: parts, minutes, money. They are summed exactly, so the last cumulative share is 1.
    """
    exact = {name: Fraction(amount) for name, amount in amounts.items()}
    for name, amount in exact.items():
        if amount < 0:
            raise ValueError(f"{name} has {amounts[name]}: an amount is 0 or more")
    total, ranked = (
        sum(exact.values(), Fraction()),
        sorted(exact.keys() - set(rest), key=lambda name: (-exact[name], name)),
    )
    entries, so_far = [], Fraction()
    for place, name in enumerate([*ranked, *(name for name in rest if name in exact)], start=1):
        so_far += exact[name]
        entries.append(
            ParetoEntry(
                name,
                amounts[name],
                rank=place if place <= len(ranked) else None,
                share=float(exact[name] / total) if total else None,
                cumulative_share=float(so_far / total) if total else None,
            )
        )
    return tuple(entries)
