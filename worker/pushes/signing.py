"""Signatures of pushes by the Standard Webhooks specification 1.0.0, symmetric: HMAC-SHA256 over id, time and body."""

from __future__ import annotations

import base64
import hmac
from collections.abc import Sequence
from typing import Final

PREFIX: Final = "whsec_"


def secret_of(installation_secret: bytes, site: str, webhook: str, number: int) -> bytes:
    """The secret of a webhook by its number, 32 bytes: kept nowhere, made again from that of the installation."""
    named = "\0".join(("webhook", site, webhook, str(number)))
    return hmac.digest(installation_secret, named.encode(), "sha256")


def shown(secret: bytes) -> str:
    """A secret as its receiver is given it."""
    return PREFIX + base64.b64encode(secret).decode()


def signature(secret: bytes, push: str, at_s: int, body: bytes) -> str:
    """Signature of a push that is sent at this time, in seconds since 1970."""
    signed = b".".join((push.encode(), str(at_s).encode(), body))
    return "v1," + base64.b64encode(hmac.digest(secret, signed, "sha256")).decode()


def signed_headers(secrets: Sequence[bytes], push: str, at_s: int, body: bytes) -> dict[str, str]:
    """The three headers of a push, with a signature by each of these secrets."""
    return {
        "webhook-id": push,
        "webhook-timestamp": str(at_s),
        "webhook-signature": " ".join(signature(secret, push, at_s, body) for secret in secrets),
    }
