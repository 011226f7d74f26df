"""The Standard Webhooks signature, version `v1` (specification 1.0.0, "Signature scheme").

Signed here with the standard library: six lines, and no library in between may renew an id or shift a timestamp.
"""

import base64
import binascii
import hashlib
import hmac
from collections.abc import Sequence

from alertd.errors import ConfigError

_PREFIX = "whsec_"
_MIN_BYTES, _MAX_BYTES = 24, 64


def read_secret(text: str, *, where: str, field: str) -> bytes:
    """The key bytes of `whsec_` + base64. Strict, because lenient readers take a mistyped secret for another one.

    Raises ConfigError naming `where` and `field`, and never showing the secret.
    """
    mend = f"write {_PREFIX} followed by 24 to 64 random bytes in base64"
    if not text.startswith(_PREFIX):
        raise ConfigError(where, field, f"a webhook secret must start with {_PREFIX}", mend)
    try:
        key = base64.b64decode(text.removeprefix(_PREFIX), validate=True)
    except (binascii.Error, ValueError) as exc:
        raise ConfigError(where, field, "the webhook secret is not base64", mend) from exc
    if base64.b64encode(key).decode() != text.removeprefix(_PREFIX):
        raise ConfigError(where, field, "the webhook secret is not canonical base64", mend)
    if not _MIN_BYTES <= len(key) <= _MAX_BYTES:
        raise ConfigError(where, field, f"the webhook secret has {len(key)} bytes, not 24 to 64", mend)
    return key


def sign(key: bytes, message_id: str, timestamp_s: int, body: bytes) -> str:
    """One signature, `v1,` + base64 of HMAC-SHA256 over `id.timestamp.body`."""
    signed = b".".join((message_id.encode(), str(timestamp_s).encode(), body))
    return "v1," + base64.b64encode(hmac.digest(key, signed, hashlib.sha256)).decode()


def headers(keys: Sequence[bytes], message_id: str, timestamp_s: int, body: bytes) -> dict[str, str]:
    """The three headers. Several keys, newest first, during a change of secret: one signature each."""
    return {
        "webhook-id": message_id,
        "webhook-timestamp": str(timestamp_s),
        "webhook-signature": " ".join(sign(key, message_id, timestamp_s, body) for key in keys),
    }
