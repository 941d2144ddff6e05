"""Signatures by the Standard Webhooks specification: its own vector, and its own library reads ours."""

from __future__ import annotations

import base64
import json
import time

import pytest
from standardwebhooks.webhooks import Webhook, WebhookVerificationError

from worker.pushes.signing import PREFIX, secret_of, shown, signature, signed_headers

BODY = b'{"test": 2432232314}'
PUSH = "msg_p5jXN8AQM9LWM0D4loKWxJek"


def test_signature_is_that_of_the_specifications_vector() -> None:
    # standard-webhooks/standard-webhooks, libraries/javascript/src/webhook.test.ts "sign function works"; the same in
    # libraries/python/tests/test_webhooks.py test_sign_function.
    secret = base64.b64decode("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
    expected = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
    assert signature(secret, PUSH, 1614265330, BODY) == expected
    assert shown(secret) == "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"


def test_the_specifications_library_accepts_what_is_signed_with_either_of_two_secrets() -> None:
    new, old, other = (secret_of(b"installation", "main", "wh_a", number) for number in (2, 1, 3))
    headers = signed_headers((new, old), PUSH, int(time.time()), BODY)
    for secret in (new, old):
        assert Webhook(shown(secret)).verify(BODY, headers) == json.loads(BODY)
    with pytest.raises(WebhookVerificationError):
        Webhook(shown(other)).verify(BODY, headers)
    with pytest.raises(WebhookVerificationError):
        Webhook(shown(new)).verify(BODY + b" ", headers)
    with pytest.raises(WebhookVerificationError):
        Webhook(shown(new)).verify(BODY, headers | {"webhook-id": "msg_other"})


def test_secrets_are_as_long_as_the_specification_asks_and_each_is_another() -> None:
    made = {
        secret_of(installation, site, webhook, number)
        for installation in (b"a", b"b")
        for site in ("main", "north")
        for webhook in ("wh_a", "wh_b")
        for number in (1, 2)
    }
    assert len(made) == 16
    # "At least 24 bytes (192 bits, 512 maximum)": spec/standard-webhooks.md, signature scheme.
    assert {24 <= len(secret) <= 64 for secret in made} == {True}
    assert all(shown(secret).startswith(PREFIX) for secret in made)
