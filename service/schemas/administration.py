"""Bodies of the doors for those who administer: keys and sites."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from service.schemas.settings_data import SiteSet
from service.schemas.strict import Errors, Rows, StrictSchema
from service.strict_fields import Choice, Matching, Text, UriReference, Whole, about
from service.strict_times import Day, Instant
from worker.keys import MOST_OVERLAP_HOURS, OVERLAP_HOURS, ROLES
from worker.sentences import sentence

SITE_ID: Final = r"[A-Za-z0-9][A-Za-z0-9._\-]{0,63}"
SITE_ID_FORM: Final = sentence(
    "1 to 64 letters, digits, dots, hyphens or underscores, beginning with a letter or digit"
)


def _site_id(*, required: bool = False) -> Matching:
    return Matching(SITE_ID, SITE_ID_FORM, required=required, metadata=about("id of the site", "north"))


class KeyNew(StrictSchema):
    """A key to make."""

    name = Text(128, required=True, metadata=about(sentence("who holds it"), "terminal in bay 2"))
    roles = Rows(
        Choice(ROLES, metadata=about("role", "terminal")), len(ROLES), required=True,
        metadata=about(sentence("what it may do"), ["terminal"]),
    )  # fmt: skip
    sites = Rows(
        Text(128, metadata=about("site", "main")), 100,
        metadata=about("sites that it is for; left out: the site of the key that asks, when that is one", ["main"]),
    )  # fmt: skip
    source_prefix = UriReference(
        metadata=about("it may post only as sources that begin so; left out: as any", "/terminals/bay-2")
    )
    expires_at = Instant(metadata=about("until when it holds; left out: until it is revoked", "2027-03-02T00:00:00Z"))

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        empty = [name for name in ("roles", "sites") if name in data and not data[name]]
        return {name: [sentence("is empty; give at least one of the %(names)s", names=name)] for name in empty}


class KeyRotation(StrictSchema):
    """How a key is replaced."""

    overlap_hours = Whole(
        0, MOST_OVERLAP_HOURS,
        metadata=about(f"hours for which the old key holds beside the new one; left out: {OVERLAP_HOURS}", 24),
    )  # fmt: skip


class SiteNew(SiteSet):
    """A site to make, with its first settings."""

    site = _site_id(required=True)
    valid_from = Day(metadata=about("first production day on which the settings hold; left out: always", "2026-03-02"))

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        settings = [name for name in data if name not in ("site", "valid_from")]
        return super().disagreements({**data, "valid_from": ""}) if settings else {}


KEY_NEW: Final = KeyNew()
KEY_ROTATION: Final = KeyRotation()
SITE_NEW: Final = SiteNew()
SITE_SET: Final = SiteSet()
