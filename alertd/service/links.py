"""Signed links that run out: a token names what it is for, about which trip and until when, and cannot be made up.

A token is 27 bytes in base64url, 36 letters: one of the purpose, six of the subject's digest, four of the second it
runs out, and 16 of HMAC-SHA256 (RFC 2104, cut as its section 5 allows) over purpose, whole subject and end.
"""

import base64
import hashlib
import hmac
import os
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from alertd.errors import ConfigError
from alertd.plan.result import Plan

DRIVER: Final = b"d"  # the page of one trip's driver, and what is reported from it
BOARD: Final = b"b"  # a browser that has signed in at the board
LIVES_ON: Final = timedelta(hours=12)  # after the arrival, for reports that were queued without a network
LONGEST: Final = timedelta(days=14)  # assumed: no trip is under way for longer, whatever delays it
_MAC_BYTES: Final = 16
_TOKEN_BYTES: Final = 11 + _MAC_BYTES
_KEY_BYTES: Final = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """What a genuine token says. It may have run out."""

    subject: str
    until: datetime


class Links:
    """Makes and reads tokens. The key is read from its file on first use, and made there when it is missing."""

    def __init__(self, key_file: Path, public_url: str = "") -> None:
        self._key_file, self._public_url = key_file, public_url.rstrip("/")
        self._key = b""

    def link_for(self, plan: Plan, now_utc: datetime) -> str:
        """Where the driver of a trip reads its plan; a path only where no public address is set.

        The same link while the departure stays in the same hour. Its end is only the latest possible one, so that it
        works for a trip that is delayed: who opens it checks when the trip arrived.
        """
        end = max(plan.depart_at + LONGEST, now_utc + LIVES_ON)
        whole = end.astimezone(UTC).replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)
        return f"{self._public_url}/d/{self.token(DRIVER, plan.trip_id, whole)}"

    def in_words(self, plan: Plan, now_utc: datetime) -> str:
        """The same for a message; "" where no public address is set, for a driver's phone would not find it."""
        return self.link_for(plan, now_utc) if self._public_url else ""

    def token(self, purpose: bytes, subject: str, until: datetime) -> str:
        head = purpose + _digest(subject) + int(until.timestamp()).to_bytes(4, "big")
        return base64.urlsafe_b64encode(head + self._mac(head, subject)).decode()

    def opened(self, token: str, purpose: bytes, subjects: Iterable[str]) -> Opened | None:
        """What a token says, if it is ours, of this purpose and about one of these subjects; None for any other."""
        try:
            raw = base64.urlsafe_b64decode(token.encode("ascii"))
        except ValueError:
            return None
        if len(raw) != _TOKEN_BYTES or len(token) != _TOKEN_BYTES * 4 // 3 or raw[:1] != purpose:
            return None
        head, mac = raw[:11], raw[11:]
        for subject in subjects:
            if _digest(subject) == head[1:7] and hmac.compare_digest(mac, self._mac(head, subject)):
                until = datetime.fromtimestamp(int.from_bytes(head[7:], "big"), UTC)
                return Opened(subject=subject, until=until)
        return None

    def _mac(self, head: bytes, subject: str) -> bytes:
        if not self._key:
            self._key = _key(self._key_file)
        return hmac.digest(self._key, head + subject.encode(), "sha256")[:_MAC_BYTES]


def _digest(subject: str) -> bytes:
    return hashlib.sha256(subject.encode()).digest()[:6]


def _key(path: Path) -> bytes:
    """The key of a file, which only its owner may read. Raises ConfigError."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as made:
                made.write(secrets.token_hex(_KEY_BYTES) + "\n")
        except FileExistsError:
            pass
        key = bytes.fromhex(path.read_text(encoding="ascii"))
    except (OSError, ValueError) as exc:
        raise ConfigError(
            str(path), "daemon.links_key_file", f"holds no key of links ({type(exc).__name__})",
            "remove the file and let the daemon make it, or let the daemon's user read and write there",
        ) from exc  # fmt: skip
    if len(key) < _KEY_BYTES:
        raise ConfigError(
            str(path), "daemon.links_key_file", f"holds {len(key)} bytes only", f"write {_KEY_BYTES} or more, in hex"
        )
    return key
