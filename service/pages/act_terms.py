"""What is on record of administration, as people read it."""

from __future__ import annotations

from typing import Final

from service.pages.languages import marked

ACTS: Final = {
    "key.made": marked("key made"),
    "key.rotated": marked("key replaced"),
    "key.revoked": marked("key revoked"),
    "key.widened": marked("key admitted to one more site"),
    "site.made": marked("site made"),
    "site.set": marked("settings changed"),
    "site.unset": marked("change of settings taken back"),
    "audit.started": marked("audit started"),
    "events.voided": marked("entries taken back"),
    "events.imported": marked("entries imported"),
    "data.exported": marked("data exported"),
    "data.imported": marked("data imported"),
    "data.restored": marked("data restored"),
    "people_key.destroyed": marked("key for people destroyed"),
    "webhook.made": marked("push made"),
    "webhook.changed": marked("push changed"),
    "webhook.paused": marked("push paused"),
    "webhook.resumed": marked("push resumed"),
    "webhook.rotated": marked("secret of a push replaced"),
    "webhook.removed": marked("push removed"),
    "webhook.resent": marked("pushes sent again"),
}
