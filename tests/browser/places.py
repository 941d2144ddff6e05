"""Every page that a person can open, where it is in the demo, and who opens it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final


@dataclass(frozen=True)
class Place:
    """A page: the name of its picture, its rule as the application knows it, an address, and whose key opens it."""

    name: str
    rule: str
    address: str
    role: str | None
    #: Works without JavaScript: all but the terminal.
    is_plain: bool = True


PLACES: Final = (
    Place("sign-in", "/sign-in", "/sign-in", None),
    Place("key", "/key", "/key", "reader"),
    Place("week", "/week", "/week", "reader"),
    Place("limit", "/limit", "/limit", "engineer"),
    Place("dossier", "/proofs/<identifier:name>/dossier", "/proofs/{proven}/dossier", "engineer"),
    Place("change", "/change", "/change", "engineer"),
    Place("recipes", "/recipes", "/recipes", "engineer"),
    Place("trials", "/trials", "/trials", "engineer"),
    Place("trial", "/trials/<identifier:name>", "/trials/{trial}", "engineer"),
    Place("findings", "/findings", "/findings", "engineer"),
    Place("finding", "/findings/<identifier:name>", "/findings/{finding}", "engineer"),
    Place("holds", "/holds", "/holds", "engineer"),
    Place("hold", "/holds/<identifier:name>", "/holds/{hold}", "engineer"),
    Place("releases", "/releases", "/releases", "engineer"),
    Place("jobs", "/jobs", "/jobs", "reader"),
    Place("job", "/jobs/<identifier:name>", "/jobs/{job}", "reader"),
    Place("plates", "/plates", "/plates", "reader"),
    Place("plate", "/plates/<identifier:name>", "/plates/{plate}", "reader"),
    Place("precheck", "/plates/<identifier:name>/precheck", "/plates/{plate}/precheck", "reader"),
    Place("attempts", "/attempts", "/attempts", "reader"),
    Place("attempt", "/attempts/<identifier:name>", "/attempts/{attempt}", "reader"),
    Place("trace", "/trace", "/trace?plate={plate}", "reader"),
    Place("since-check", "/trace/since-check", "/trace/since-check?machine=laser-8kw", "reader"),
    Place("site", "/site", "/site", "admin"),
    Place("settings", "/site/settings/<section>", "/site/settings/entries", "admin"),
    Place("keys", "/site/keys", "/site/keys", "admin"),
    Place("replacing", "/site/keys/<identifier:name>/replacing", "/site/keys/{key}/replacing", "admin"),
    Place("revoking", "/site/keys/<identifier:name>/revoking", "/site/keys/{key}/revoking", "admin"),
    Place("record", "/site/record", "/site/record", "admin"),
    Place("terminal", "/terminal", "/terminal", "foreman", is_plain=False),
    Place("handover", "/handover", "/handover", "foreman"),
)
#: What the blueprint of the pages gives that is no page by itself.
NOT_PAGES: Final = frozenset(
    {
        "/", "/language/<code>", "/static/<path:name>", "/week.csv", "/week.pdf", "/week.xlsx", "/terminal/known",
        "/terminal/shell", "/terminal/worker.js", "/findings/<identifier:name>/note",
        "/holds/<identifier:name>/lifting", "/releases/withdrawal", "/trials/<identifier:name>/conclusion",
        "/proofs/<identifier:name>/dossier.pdf",
    }
)  # fmt: skip


def subjects(read: Callable[[str], Any]) -> Mapping[str, Any]:
    """Ids of the demo that addresses name; `read` gives the JSON of an address to an admin."""
    return {
        "attempt": read("/v1/attempts?limit=1")["items"][0]["attempt"],
        "job": read("/v1/jobs?limit=1")["items"][0]["job"],
        "plate": read("/v1/plates?limit=1")["items"][0]["plate"],
        "trial": read("/v1/trials?limit=1")["items"][0]["id"],
        "finding": read("/v1/findings?limit=1")["items"][0]["id"],
        "proven": read("/v1/proofs?state=passed&limit=1")["items"][0]["id"],
        "hold": read("/v1/holds?limit=1")["items"][0]["id"],
        "key": read("/v1/keys?limit=1")["items"][0]["key_id"],
    }
