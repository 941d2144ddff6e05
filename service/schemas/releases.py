"""Released settings: the bodies that release and withdraw them, the query that lists them, and what is answered."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from marshmallow import fields
from marshmallow.validate import OneOf

from service.schemas.action_data import Cell, RecipeWithdrawn, ReleasedRecipe
from service.schemas.answers import Answer, Page, instant, number, record, rows, text, whole, word
from service.schemas.event_parts import THICKNESS_MM
from service.schemas.queries import ID_LENGTH, Characters, PageQuery
from service.schemas.settings_data import SURFACE_GROUPS
from service.schemas.strict import Record
from service.strict_fields import Text, about
from worker.events import GASES
from worker.reports.released import STATES


class ReleaseNew(Cell):
    """Settings to release: where they hold, and why. What the figures say of them is put beside them."""

    recipe = Record(
        ReleasedRecipe, required=True,
        metadata=about("the settings", {"name": "S355 oxygen 20", "revision": "B", "power_w": 12000}),
    )  # fmt: skip
    reason = Text(2000, required=True, metadata=about("why it is released", "cleaner lower edge at the same yield"))


RELEASE_NEW: Final = ReleaseNew()
RECIPE_WITHDRAWN: Final = RecipeWithdrawn()
_PLACE: Final = {"machine": "laser-2", "material": "S355J2+N", "thickness_mm": 20, "gas": "oxygen"}
EXAMPLES: Final[Mapping[str, Mapping[str, Any]]] = {
    "settings": {
        **_PLACE,
        "recipe": {
            "name": "S355 oxygen 20", "revision": "B", "power_w": 12000, "feed_mm_min": 900, "gas_pressure_bar": 0.7,
        },
        "reason": "cleaner lower edge at the same yield",
    }
}  # fmt: skip
WITHDRAWALS: Final[Mapping[str, Mapping[str, Any]]] = {
    "what is released there": {**_PLACE, "reason": "pierces fail since Tuesday"}
}


class ReleasesQuery(PageQuery):
    """Which releases."""

    state = fields.String(
        validate=OneOf(STATES, error="must be one of {choices}, found {input!r}"),
        metadata={"description": "only those that are released, or withdrawn"},
    )
    machine = fields.String(
        validate=Characters(ID_LENGTH), metadata={"description": "only of this machine", "examples": ["laser-2"]}
    )


class RecipeNamed(Answer):
    """A recipe by its name and revision."""

    name = text("name of the recipe", "S355 oxygen 20")
    revision = text("its revision", "B")


class SettingDiffering(Answer):
    """A setting that is not what it was; null: not told."""

    setting = text("setting, with its unit in its name", "feed_mm_min")
    before = fields.Raw(required=True, allow_none=True, metadata={"description": "before", "examples": [850]})
    now = fields.Raw(required=True, allow_none=True, metadata={"description": "now", "examples": [900]})


class EvidenceTold(Answer):
    """What the figures said when it was released; a member that is not there was not known."""

    standing = fields.String(metadata=about("standing of the thickness", "proven"))
    parts = fields.Integer(metadata=about("first-attempt parts behind it", 64))
    good = fields.Integer(metadata=about("of them good without rework", 63))
    plates = fields.Integer(metadata=about("plates that they came from", 5))
    lower_bound = fields.Float(metadata=about("lower bound of the first-pass yield", 0.93))
    target = fields.Float(metadata=about("yield that was asked for", 0.9))
    proof = fields.String(metadata=about("proof that was planned last of it", "PR-4"))
    proof_state = fields.String(metadata=about("how that proof stood", "passed"))


class ReleaseShown(Answer):
    """The last word on a place."""

    state = word(STATES, "released, or withdrawn since")
    machine = text("machine", "laser-2")
    material = text("material, which stands for its group", "S355J2+N")
    thickness_mm = number(str(THICKNESS_MM["description"]), 20)
    gas = word(GASES, "cutting gas")
    surface_group = word(SURFACE_GROUPS, "surface that it is for; null: any", None, null=True)
    recipe = record(RecipeNamed, "recipe that is released, or was until it was withdrawn")
    settings = fields.Dict(
        keys=fields.String(), required=True, metadata=about("its settings", {"power_w": 12000, "feed_mm_min": 900})
    )
    before = record(RecipeNamed, "recipe that was released there before; null: none was", null=True)
    differences = rows(SettingDiffering, "what it changed against that one, by setting")
    reason = text("why", "cleaner lower edge at the same yield")
    evidence = record(EvidenceTold, "what the figures said then")
    since = instant("since when")
    source = text("who said so", "/keys/k7m2q9xa")
    position = whole("place in the ledger", 417)


class ReleaseAnswer(ReleaseShown):
    """A release with the cautions."""

    cautions = rows(text("caution", "keep oil off oxygen parts"), "what goes with every cut that is advised")


class ReleasePage(Page):
    """A page of releases."""

    items = rows(ReleaseShown, "releases by machine, material, thickness, gas, surface")
    cautions = rows(text("caution", "keep oil off oxygen parts"), "what goes with every cut that is advised")
