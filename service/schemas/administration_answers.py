"""What the service answers those who administer: sites, keys, audits, and what is on record of all that."""

from __future__ import annotations

from marshmallow import fields

from service.schemas.answers import Answer, Page, day, flag, instant, record, rows, states, text, whole, word
from service.schemas.settings_data import Rates, SiteSet
from service.strict_fields import about
from worker.administration import ACTS
from worker.keys import ROLES


@states(SiteSet, without=("valid_from", "rates"), required=True)
class Settings(Answer):
    """All settings of a site on one day."""

    rates = fields.Raw(
        required=True,
        metadata={
            "anyOf": [{"$ref": f"#/components/schemas/{Rates.__name__}"}, {"type": "object", "maxProperties": 0}],
            **about("rates; an empty object until they are set", {"currency": "EUR", "labour_per_hour": 46}),
        },
    )


class SettingsChange(Answer):
    """The settings from one production day on."""

    valid_from = day("first production day on which they hold")
    settings = record(Settings, "all settings from then on")


class Site(Answer):
    """A site and its settings."""

    site = text("id of the site", "main")
    today = day("its running production day", "2026-03-09")
    settings = record(Settings, "what holds today")
    changes = rows(SettingsChange, "the settings by their first day; empty while the defaults hold")


class SiteList(Answer):
    """The sites of the asking key."""

    items = rows(Site, "sites")


class SiteMade(Answer):
    """A new site."""

    site = text("id of the site", "north")


class EventName(Answer):
    """What names an event."""

    source = text("its source", "/keys/k7m2q9xa")
    id = text("its id", "0c1f5e52-7d0e-4f6a-9a52-6d0e8f3b2a11")


class SiteChanged(Answer):
    """A change of settings that was appended to the ledger."""

    site = text("id of the site", "main")
    event = record(EventName, "the event that is the change")
    position = whole("its place in the ledger", 418)


class PeopleUnlinked(Answer):
    """The key for people of a site was destroyed."""

    site = text("id of the site", "main")
    erased = flag(
        "true: the old key was seen to be gone from the database's own files; false: it is not used any more but may "
        "lie in them still, until `cutledger people unlink` is run again with the server stopped",
        example=True,
    )
    held_up = text("why it was not seen to be gone; null: it was", None, null=True)


class Key(Answer):
    """What is known of a key."""

    key_id = text("its visible id", "k7m2q9xa")
    name = text("who holds it", "terminal in bay 2")
    roles = rows(word(ROLES, "role"), "what it may do")
    sites = rows(text("id of a site", "main"), "sites that it is for, as far as they are sites of the key that asks")
    source_prefix = text("it may post only as sources that begin so; null: as any", "/terminals/bay-2", null=True)
    created_at = instant("when it was made")
    expires_at = instant(
        "until when it holds, the end of an overlap included; null: until it is revoked", None, null=True
    )
    revoked_at = instant("when it was revoked", None, null=True)
    replaces = text("visible id of the key in whose place it was made", None, null=True)
    last_used_at = instant("when it was last used, to the minute; null: never", None, null=True)


class KeyMade(Key):
    """A new key, with its secret."""

    key = text("the key itself; shown here and never again", "cut_k7m2q9xa_…")


class KeyPage(Page):
    """A page of keys."""

    items = rows(Key, "keys in the order in which they were made, ended ones too")


class AuditStarted(Answer):
    """An audit that runs."""

    site = text("id of the site", "main")
    number = whole("number of the audit", 3)
    running = flag("it runs", True)


class Difference(Answer):
    """Where tallies and recount differ."""

    table = text("table", "tallies")
    only_stored = whole("rows that only the stored table has", 1)
    only_recounted = whole("rows that only the recount has", 1)


class AuditResult(Answer):
    """What an audit found."""

    number = whole("number of the audit", 2)
    started_at = instant("when it began")
    ended_at = instant("when it ended", "2026-03-02T05:15:04Z")
    position = whole("up to which place in the ledger it counted; null for one that was given up", 417, null=True)
    events = whole("events that it counted; null for one that was given up", 417, null=True)
    equal = flag("the tallies say what the ledger says; null for one that was given up", True, null=True)
    differences = fields.List(
        fields.Nested(Difference), required=True, metadata={"description": "where not", "examples": [[]]}
    )


class AuditState(Answer):
    """The last audit of a site that ended."""

    site = text("id of the site", "main")
    running = flag("one is running now", False)
    last = record(AuditResult, "the last one that ended; null while the first runs", null=True)


class Act(Answer):
    """Something that was made, changed or revoked: by whom, and when."""

    number = whole("number within the site, without gaps", 12)
    at = instant("when")
    actor = text("visible id of the key that asked for it; null: a command on the server", "k7m2q9xa", null=True)
    actor_name = text("name of that key then", "the office")
    act = word(tuple(ACTS), "what was done", "key.made")
    subject = text("to what: " + "; ".join(f"{act}: {what}" for act, what in ACTS.items()), "p4w8zt3c")
    details = fields.Dict(
        required=True,
        metadata={
            "description": "more of it, by act; never a secret",
            "examples": [{"name": "terminal in bay 2", "roles": ["terminal"]}],
        },
    )


class ActPage(Page):
    """A page of the record of administration."""

    items = rows(Act, "acts, the newest first")
