"""Signed links that expire: a token holds its purpose, its trip and its end, and cannot be forged.

A token is 27 bytes in base64url, 36 letters: one of the purpose, six of the subject's digest, four of the second it
expires, and 16 of HMAC-SHA256 (RFC 2104, truncated as its section 5 allows) over purpose, whole subject and end.
"""

import base64
import hashlib
import hmac
import os
import secrets
import time
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final, Protocol

from alertd.errors import ConfigError

DRIVER: Final = b"d"  # the page of one trip's driver, and what is reported from it
BOARD: Final = b"b"  # a browser that has signed in at the board
VALID_AFTER_TRIP: Final = timedelta(hours=12)  # after the arrival, for reports that were queued without a network
LONGEST: Final = timedelta(days=14)  # assumed: no trip is under way for longer, whatever delays it
_MAC_BYTES: Final = 16
_TOKEN_BYTES: Final = 11 + _MAC_BYTES
_KEY_BYTES: Final = 32
RENEW_S: Final = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkClaims:
    """The content of a genuine token. It may have expired."""

    subject: str
    until: datetime


class OfTrip(Protocol):
    """A plan, or what is left of it."""

    @property
    def trip_id(self) -> str:
        """The trip."""
        ...

    @property
    def depart_at(self) -> datetime:
        """The departure that the trip was planned for."""
        ...


class SignedLinks:
    """Makes and reads tokens. The key is read from its file on first use, and made there when it is missing."""

    def __init__(self, key_file: Path, public_url: str = "") -> None:
        self._key_file, self._public_url = key_file, public_url.rstrip("/")
        self._key = b""
        self._made: dict[bytes, set[str]] = {}

    def link_for(self, plan: OfTrip, now_utc: datetime) -> str:
        """The link to the plan for the driver of a trip; a path only where no public address is set.

        The same link while the departure stays in the same hour. Its end is only the latest possible one, so that it
        works for a delayed trip: the page that it opens checks when the trip arrived.
        """
        end = max(plan.depart_at + LONGEST, now_utc + VALID_AFTER_TRIP)
        whole = end.astimezone(UTC).replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)
        return f"{self._public_url}/d/{self.token(DRIVER, plan.trip_id, whole)}"

    def message_link(self, plan: OfTrip, now_utc: datetime) -> str:
        """The same for a message; "" where no public address is set, for a driver's phone would not find it."""
        return self.link_for(plan, now_utc) if self._public_url else ""

    def token(self, purpose: bytes, subject: str, until: datetime) -> str:
        digest = _digest(subject)
        self._made.setdefault(digest, set()).add(subject)
        head = purpose + digest + int(until.timestamp()).to_bytes(4, "big")
        return base64.urlsafe_b64encode(head + self._mac(head, subject)).decode()

    def verify(self, token: str, purpose: bytes, subjects: Iterable[str]) -> LinkClaims | None:
        """The content of a token that is ours, of this purpose and about one of these subjects; None for any other."""
        raw = _read(token, purpose)
        if raw is None:
            return None
        head, mac = raw[:11], raw[11:]
        for subject in subjects:
            if _digest(subject) == head[1:7] and hmac.compare_digest(mac, self._mac(head, subject)):
                until = datetime.fromtimestamp(int.from_bytes(head[7:], "big"), UTC)
                return LinkClaims(subject=subject, until=until)
        return None

    def made_about(self, digest: bytes) -> Collection[str]:
        """The subjects with this digest about which a token was made here."""
        return self._made.get(digest, ())

    def _mac(self, head: bytes, subject: str) -> bytes:
        if not self._key:
            self._key = _key(self._key_file)
        return hmac.digest(self._key, head + subject.encode(), "sha256")[:_MAC_BYTES]


def _read(token: str, purpose: bytes) -> bytes | None:
    """The bytes of a token that has the shape and the purpose of one of ours."""
    if len(token) != _TOKEN_BYTES * 4 // 3:
        return None
    try:
        raw = base64.urlsafe_b64decode(token.encode("ascii"))
    except ValueError:
        return None
    return raw if len(raw) == _TOKEN_BYTES and raw[:1] == purpose else None


class Subjects:
    """The subjects that tokens of one purpose may be about, by digest, so that a token causes no read of the store.

    read_all: reads them all. It is called for the first token, and for one about an unknown subject at most once in
    RENEW_S: another process may have made that link. Tokens that were made here are known without it.
    """

    def __init__(
        self,
        links: SignedLinks,
        purpose: bytes,
        read_all: Callable[[], Iterable[str]],
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._links, self._purpose, self._read_all, self._monotonic = links, purpose, read_all, monotonic
        self._known: dict[bytes, list[str]] = {}
        self._renewed_s = float("-inf")

    def opened(self, token: str) -> LinkClaims | None:
        """The content of a genuine token; None for any other. Reads no store."""
        raw = _read(token, self._purpose)
        if raw is None:
            return None
        digest = raw[1:7]
        about = {*self._known.get(digest, ()), *self._links.made_about(digest)}
        return self._links.verify(token, self._purpose, about)

    def is_worth_renewing(self, token: str) -> bool:
        """Whether `renew` may help to open a token that `opened` did not."""
        raw = _read(token, self._purpose)
        return raw is not None and raw[1:7] not in self._known and self._monotonic() - self._renewed_s >= RENEW_S

    def renew(self) -> None:
        """Read all subjects. Raises StoreError."""
        self._renewed_s = self._monotonic()
        known: dict[bytes, list[str]] = {}
        for subject in self._read_all():
            known.setdefault(_digest(subject), []).append(subject)
        self._known = known


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
