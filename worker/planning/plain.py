"""A plan as plain values, and as one row of a table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any, Final

from worker.placing import mm
from worker.planning.figures import Amount, Plan, PlatesNeeded

AMOUNTS: Final = ("machine_minutes", "rework_minutes", "scrap_mass_kg", "cost")
_OF_STARTS: Final = {
    "starts": "started",
    "chance": "chance",
    "good_expected": "expected",
    "good_low": "low",
    "good_high": "high",
    "starts_if_known": "if_known",
    "share_of_uncertainty": "share_of_uncertainty",
}
_OF_TOP_UP: Final = ("first", "second_chance", "expected", "low", "high", "chance", "reason")
_OF_YIELD: Final = (
    "share", "low", "high", "effective_n", "design_effect", "correlation", "correlation_ahead",
    "source", "parts", "good", "plates",
    "below_mm", "above_mm", "method", "counts_reason", "reason",
)  # fmt: skip


def plan_plain(done: Plan) -> dict[str, Any]:
    """All of a plan but what holds for all plans of an answer."""
    order, cut = done.order, done.order.cut
    stated = {
        "ref": order.ref,
        "job": order.job,
        "parts": order.parts,
        "material": order.material,
        "thickness_mm": mm(cut.thickness_nm),
        "bevel_deg": mm(None if done.bevel_mdeg is None else done.bevel_mdeg * 1000),
        "machine": done.machine,
        "gas": done.gas,
        "recipe": order.recipe,
        "surface_group": cut.surface_group,
        "thermal_history": cut.thermal_history,
    }
    found = {name: None if done.starts is None else getattr(done.starts, of) for name, of in _OF_STARTS.items()}
    return {
        **stated,
        **found,
        "blanks": found["starts"],
        "top_up": None if done.top_up is None else {name: getattr(done.top_up, name) for name in _OF_TOP_UP},
        "plates": asdict(done.plates or PlatesNeeded(None, None, None, done.reason)),
        **{name: asdict(getattr(done, name)) for name in AMOUNTS},
        "currency": done.currency,
        "standing": done.standing,
        "expected_yield": _yield_plain(done),
        "alternatives": [asdict(one) for one in done.alternatives],
        "more_alternatives": done.more_alternatives,
        "reason": done.reason,
        "notes": list(done.notes),
    }


def _yield_plain(done: Plan) -> dict[str, Any]:
    expected = done.expected
    if expected is None:
        return dict.fromkeys(_OF_YIELD) | {"parts": 0, "good": 0, "plates": 0, "reason": done.reason}
    counts = expected.counts
    more = {
        "effective_n": None if counts is None else counts.n,
        "design_effect": None if counts is None else counts.design_effect,
        "counts_reason": None if counts is None else counts.reason,
        "correlation": None if done.correlation is None else float(done.correlation),
        "correlation_ahead": done.correlation_ahead,
    }
    return {name: more[name] if name in more else getattr(expected, name) for name in _OF_YIELD}


#: Objects of a plan whose members become columns, and these.
_FLAT: Final[Mapping[str, tuple[str, ...]]] = {
    "top_up": _OF_TOP_UP,
    "plates": tuple(PlatesNeeded.__dataclass_fields__),
    **{name: tuple(Amount.__dataclass_fields__) for name in AMOUNTS},
    "expected_yield": _OF_YIELD,
}
#: Lists, that no cell holds.
_LISTS: Final = ("alternatives", "notes")


def plan_row(plain: Mapping[str, Any]) -> dict[str, Any]:
    """A plan as a row: members of its objects under their names behind that of the object; without its lists."""
    row: dict[str, Any] = {}
    for name, value in plain.items():
        if name in _FLAT:
            row |= {f"{name}_{member}": (value or {}).get(member) for member in _FLAT[name]}
        elif name not in _LISTS:
            row[name] = value
    return row
