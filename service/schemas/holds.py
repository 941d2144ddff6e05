"""Holds: the bodies that place and lift one, the query that lists them, and what is answered of them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from marshmallow import fields
from marshmallow.validate import OneOf

from service.schemas.action_data import HoldLifted, HoldPlaced
from service.schemas.answers import Answer, Page, instant, record, rows, text, whole, word
from service.schemas.queries import PageQuery
from service.schemas.strict import Errors
from service.strict_fields import Identifier, about
from worker.events import DISPOSITIONS, LIFTERS
from worker.holds import ON, STATES

HELD_ON: Final = tuple(ON.values())


class HoldNew(HoldPlaced):
    """What is to be held, and why."""

    id = Identifier(
        metadata=about(
            "id of the hold; sent again with the same content nothing is placed twice; left out: one is made", "HD-3"
        )
    )

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        errors = super().disagreements(data)
        if data.get("id") in (".", ".."):
            errors["id"] = ["is a step in a path, by which nobody could read it; choose another, or leave it out"]
        return errors


HOLD_NEW: Final = HoldNew()
HOLD_LIFTED: Final = HoldLifted()
EXAMPLES: Final[Mapping[str, Mapping[str, Any]]] = {
    "a heat": {
        "id": "HD-3", "mill": "Nordhelm", "heat_number": "H48213", "reason": "six of eight parts with a rough face",
        "finding": "F-7c1d3f0a92be4455",
    },
    "a machine": {"machine": "laser-2", "reason": "pierces fail since Tuesday", "may_lift": "admin"},
}  # fmt: skip


class HoldsQuery(PageQuery):
    """Which holds."""

    state = fields.String(
        validate=OneOf(STATES, error="must be one of {choices}, found {input!r}"),
        metadata={"description": "only holds in this state"},
    )


class HeldRecipeTold(Answer):
    """A recipe that is held."""

    name = text("name of the recipe", "S355 oxygen 20")
    revision = text("its revision; null: all", "B", null=True)


class HoldShown(Answer):
    """A hold as it stands; of the fields that name what is held one alone is not null, and a mill with its heat."""

    id = text("id of the hold", "HD-3")
    state = word(STATES, "open, or lifted")
    on = word(HELD_ON, "what it is on")
    mill = text("steel mill of the heat", "Nordhelm", null=True)
    heat_number = text("heat that is held", "H48213", null=True)
    plate = text("plate that is held, with its remnants", None, null=True)
    recipe = record(HeldRecipeTold, "recipe that is held", null=True)
    machine = text("machine that is held", None, null=True)
    job = text("job that is held", None, null=True)
    attempts = fields.List(
        fields.String(), required=True, allow_none=True,
        metadata={"description": "attempts whose parts are held", "examples": [None]},
    )  # fmt: skip
    reason = text("why it is held", "six of eight parts with a rough face")
    may_lift = word(LIFTERS, "role that may lift it")
    finding = text("finding that caused it", "F-7c1d3f0a92be4455", null=True)
    placed_at = instant("since when it holds")
    source = text("who placed it", "/terminals/bay-2")
    position = whole("place of its last placing in the ledger", 417)
    lifted_at = instant("when it was lifted", None, null=True)
    lifted_source = text("who lifted it", None, null=True)
    lifted_reason = text("what was found", None, null=True)
    disposition = word(DISPOSITIONS, "what became of what was held", None, null=True)
    times_placed = whole("how often it was placed", 1)


class HeldCutShown(Answer):
    """An attempt that was started while it was held."""

    attempt = text("attempt", "A-5001")
    started_at = instant("when it was started")
    machine = text("machine", "laser-2", null=True)
    plate = text("plate", "P-77", null=True)
    job = text("job", "J-1042", null=True)


class HoldWhole(HoldShown):
    """A hold with what was cut all the same."""

    cuts = rows(HeldCutShown, "attempts that were started while it held, at most 200")


class HoldPage(Page):
    """A page of holds."""

    items = rows(HoldShown, "holds by id")
