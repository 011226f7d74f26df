"""API tokens: creation, scopes, and lookup by hash.

A token is 256 random bits after a prefix that people and secret scanners recognize. The store keeps only its SHA-256,
so a copy of the store gives no access. A slow hash would add nothing, because 256 bits cannot be guessed.
"""

import hashlib
import hmac
import logging
import secrets
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from alertd.clock import Clock
from alertd.errors import InputError, StoreError
from alertd.store.rows import StoredToken
from alertd.store.store import Store

log = logging.getLogger(__name__)

PREFIX: Final = "alertd_"
SCOPES: Final = {
    "read": "every GET under /v1",
    "trips": "register and cancel trips, send routes",
    "reports": "positions, and what drivers report",
    "posted": "closures and posted controls",
    "admin": "all of these",
}
MAX_ACTIVE: Final = 2  # of one name: the old and the new token, during a changeover
RECORD_USE_EVERY: Final = timedelta(minutes=1)  # each record is a write that waits for the disk


@dataclass(frozen=True, slots=True, kw_only=True)
class Caller:
    """The holder of a token: `id` for records and limits, `scopes` for permissions. open: no token was required."""

    id: str
    scopes: frozenset[str]
    open: bool = False

    def may(self, scope: str) -> bool:
        return scope in self.scopes or "admin" in self.scopes


OPEN: Final = Caller(id="open", scopes=frozenset(SCOPES), open=True)


class TokenAuthenticator:
    """Authenticates tokens of the store, and the token of the settings file, which has every scope.

    open_without: admit programs on this machine until the first token is created; for an address that only this machine
    reaches. Creating a token ends this permanently: neither its expiry nor its revocation opens access again.
    """

    def __init__(self, store: Store, file_token: str, clock: Clock, *, open_without: bool) -> None:
        self._store, self._clock, self._open_without = store, clock, open_without
        self._file_hash = hash_token(file_token) if file_token else ""
        self._noted: dict[str, datetime] = {}
        self._tokens_made = False

    def allowed(self, token: str, scope: str, *, here: bool = False) -> bool:
        """Whether the holder of `token` ("" for none) has `scope`; here: see `caller`. Raises StoreError."""
        caller = self.caller(token, here=here)
        return caller is not None and caller.may(scope)

    def caller(self, token: str, *, here: bool = False) -> Caller | None:
        """The holder of `token` ("" for none); None when unknown. Reads the store. Raises StoreError.

        here: the request comes directly from a program on this machine, the only kind admitted while no token was
        created.
        """
        if here and self._is_open():
            return OPEN
        hash_ = hash_token(token)
        if self._file_hash and hmac.compare_digest(hash_, self._file_hash):
            return Caller(id="file", scopes=frozenset(SCOPES))
        known = self._store.tokens.by_hash(hash_)
        now = self._clock()
        if known is None or not hmac.compare_digest(hash_, known.hash) or not is_active(known, now):
            return None
        self._record_use(known.id, now)
        return Caller(id=known.id, scopes=frozenset(known.scopes))

    def is_open(self) -> bool:
        """Whether programs on this machine are admitted without a token. Raises StoreError."""
        return self._is_open()

    def session_fingerprints(self) -> dict[str, Caller]:
        """Callers with active tokens, by a fingerprint that becomes invalid with the token. Raises StoreError."""
        now, kept = self._clock(), self._store.tokens.all()
        out = {_fingerprint(t.hash): Caller(id=t.id, scopes=frozenset(t.scopes)) for t in kept if is_active(t, now)}
        if self._file_hash:
            out[_fingerprint(self._file_hash)] = Caller(id="file", scopes=frozenset(SCOPES))
        return out

    def denies_all(self) -> bool:
        """Whether no token at all would be accepted now. Raises StoreError."""
        holds = any(is_active(token, self._clock()) for token in self._store.tokens.all())
        return not (self._is_open() or self._file_hash or holds)

    def _is_open(self) -> bool:
        if not self._open_without or self._file_hash or self._tokens_made:
            return False
        self._tokens_made = bool(self._store.tokens.all())
        return not self._tokens_made

    def _record_use(self, id_: str, now: datetime) -> None:
        noted = self._noted.get(id_)
        if noted is not None and now - noted < RECORD_USE_EVERY:
            return
        try:
            self._store.tokens.used(id_, now)
            self._noted[id_] = now
        except StoreError as exc:  # a busy store must not lock anybody out
            log.warning("use of token %s not recorded: %s", id_, exc)


def session_fingerprint(token: str) -> str:
    """The fingerprint of a token, as in `TokenAuthenticator.session_fingerprints`."""
    return _fingerprint(hash_token(token))


def _fingerprint(hash_: str) -> str:
    return hashlib.sha256(f"badge {hash_}".encode()).hexdigest()


def hash_token(token: str) -> str:
    return hashlib.sha256(token.encode(errors="surrogatepass")).hexdigest()


def is_active(token: StoredToken, now: datetime) -> bool:
    return token.revoked_at is None and (token.expires_at is None or now < token.expires_at)


def new_token(store: Store, name: str, scopes: Sequence[str], now: datetime, days: int | None) -> tuple[str, str]:
    """Create a token and store its hash; returns its id and the token, which cannot be shown again.

    Raises InputError for unknown scopes or a name with two active tokens, and StoreError.
    """
    wanted = _known(scopes)
    held = [t.id for t in store.tokens.all() if t.name == name and is_active(t, now)]
    if len(held) >= MAX_ACTIVE:
        raise InputError(
            "token new", "name", f'"{name}" has two active tokens, {" and ".join(held)}', "revoke one of them first"
        )
    token = PREFIX + secrets.token_urlsafe(32)
    id_ = f"tok_{secrets.token_hex(4)}"
    expires = None if days is None else now + timedelta(days=days)
    store.tokens.put(
        StoredToken(id=id_, hash=hash_token(token), name=name, scopes=wanted, created_at=now, expires_at=expires)
    )
    return id_, token


def _known(scopes: Collection[str]) -> tuple[str, ...]:
    unknown = sorted(set(scopes) - SCOPES.keys())
    if unknown or not scopes:
        problem = f'"{unknown[0]}" is no scope' if unknown else "names none"
        raise InputError("token new", "scopes", problem, f"name some of: {', '.join(SCOPES)}")
    return tuple(scope for scope in SCOPES if scope in scopes)
