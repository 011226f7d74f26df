"""The Standard Webhooks signature, version `v1` (specification 1.0.0, "Signature scheme").

Uses the standard library: signing takes six lines, and no other library can then change an id or a timestamp.
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
    """Return the key bytes of `whsec_` + base64. Strict, because a lenient reader accepts a mistyped secret.

    Raises ConfigError that names `where` and `field` and never shows the secret.
    """
    hint = f"write {_PREFIX} followed by 24 to 64 random bytes in base64"
    if not text.startswith(_PREFIX):
        raise ConfigError(where, field, f"a webhook secret must start with {_PREFIX}", hint)
    try:
        key = base64.b64decode(text.removeprefix(_PREFIX), validate=True)
    except (binascii.Error, ValueError) as exc:
        raise ConfigError(where, field, "the webhook secret is not base64", hint) from exc
    if base64.b64encode(key).decode() != text.removeprefix(_PREFIX):
        raise ConfigError(where, field, "the webhook secret is not canonical base64", hint)
    if not _MIN_BYTES <= len(key) <= _MAX_BYTES:
        raise ConfigError(where, field, f"the webhook secret has {len(key)} bytes, not 24 to 64", hint)
    return key


def sign(key: bytes, message_id: str, timestamp_s: int, body: bytes) -> str:
    """Return one signature: `v1,` + base64 of HMAC-SHA256 over `id.timestamp.body`."""
    signed = b".".join((message_id.encode(), str(timestamp_s).encode(), body))
    return "v1," + base64.b64encode(hmac.digest(key, signed, hashlib.sha256)).decode()


def headers(keys: Sequence[bytes], message_id: str, timestamp_s: int, body: bytes) -> dict[str, str]:
    """Return the three headers. During a secret rotation `keys` holds several, newest first: one signature each."""
    return {
        "webhook-id": message_id,
        "webhook-timestamp": str(timestamp_s),
        "webhook-signature": " ".join(sign(key, message_id, timestamp_s, body) for key in keys),
    }
