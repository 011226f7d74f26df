"""Disk cache of HTTP responses: freshness by RFC 9111, and the last good response when a server fails.

`fresh_for_s` decides freshness. The cache is our own and small because hishel 2.0, the well-maintained library for
this, does not fit. It reads the machine's clock itself. It can serve a stale response only before a request, never
because the server failed. It does not report when a response was fetched, and a forecast must carry its age.

One file per entry: a line of JSON, then the body. A file is replaced by rename, so a crash leaves the old one or the
new one, and processes can share the folder. A file that does not match its checksum is dropped and fetched again.
"""

import hashlib
import json
import os
import tempfile
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from alertd.http_dates import http_date

MAX_LIFETIME = timedelta(days=7)  # upper limit of a server's max-age; a grid mapping is requested again weekly
KEPT_HEADERS = ("cache-control", "content-type", "date", "etag", "last-modified", "expires", "age", "vary")


@dataclass(frozen=True, slots=True, kw_only=True)
class CacheEntry:
    """A good response.

    `fetched_at`: when the server last sent or confirmed it (UTC). `varied`: the request headers it depends on, as sent.
    """

    headers: Mapping[str, str]
    body: bytes
    fetched_at: datetime
    fresh_until: datetime
    varied: Mapping[str, str]

    def is_fresh(self, now_utc: datetime) -> bool:
        """Whether the entry is fresh at `now_utc`."""
        # An entry from the future means that the clock was set back: its age is unknown, so request again.
        return self.fetched_at <= now_utc + timedelta(minutes=1) and now_utc < self.fresh_until

    def matches(self, sent: Mapping[str, str]) -> bool:
        """Whether the entry fits the headers of a request (Vary)."""
        return all(sent.get(name, "") == value for name, value in self.varied.items())

    def confirmed(self, headers: Mapping[str, str], now_utc: datetime, default_life_s: float) -> "CacheEntry":
        """Return this entry after a 304, with the headers of the 304 (RFC 9111, 4.3.4)."""
        merged = {name: value for name, value in self.headers.items() if name != "age"} | stored_headers(headers)
        life = timedelta(seconds=fresh_for_s(merged, now_utc, default_life_s))
        return replace(self, headers=merged, fetched_at=now_utc, fresh_until=now_utc + life)


def stored_headers(headers: Mapping[str, str]) -> dict[str, str]:
    """Return the headers that are stored, with lower-case names."""
    return {name.lower(): value for name, value in headers.items() if name.lower() in KEPT_HEADERS}


def cache_control(headers: Mapping[str, str]) -> dict[str, str]:
    """Return the Cache-Control directives, lower case; a directive without value maps to ""."""
    directives = {}
    for part in headers.get("cache-control", "").split(","):
        name, _, value = part.strip().partition("=")
        if name:
            directives[name.strip().lower()] = value.strip().strip('"')
    return directives


def may_store(headers: Mapping[str, str]) -> bool:
    """Whether Cache-Control allows storing."""
    return "no-store" not in cache_control(headers)


def fresh_for_s(headers: Mapping[str, str], now_utc: datetime, default_life_s: float) -> float:
    """Return the seconds that a response received now stays fresh.

    Max-age minus Age, else Expires minus Date, else the caller's default. This is a private cache, so s-maxage does not
    apply. RFC 9111, 4.2.1 and 5.2.2.
    """
    directives = cache_control(headers)
    longest = MAX_LIFETIME.total_seconds()
    if "no-cache" in directives or headers.get("vary", "").strip() == "*":
        return 0.0
    if "max-age" in directives:
        try:
            life = float(int(directives["max-age"])) - float(int(headers.get("age", "0") or 0))
        except ValueError:
            return 0.0
        return min(max(life, 0.0), longest)
    if "expires" in headers:
        expires, date = http_date(headers["expires"]), http_date(headers.get("date", "")) or now_utc
        # "Expires: 0" and other invalid dates mean already expired (5.3).
        return min(max((expires - date).total_seconds(), 0.0), longest) if expires else 0.0
    return default_life_s


class DiskCache:
    """Entries by key in one folder.

    Disk failures never raise: the cache is then unused, and `on_error` is called once.
    """

    def __init__(self, folder: Path | None, on_error: Callable[[str], None] = lambda text: None) -> None:
        self._folder, self._on_trouble, self._reported = folder, on_error, False

    def get(self, key: str) -> CacheEntry | None:
        """Return an entry; None when it is absent, unreadable or damaged."""
        path = self._path(key)
        if path is None:
            return None
        try:
            head, _, body = path.read_bytes().partition(b"\n")
        except FileNotFoundError:
            return None
        except OSError as exc:
            self._report(f"the forecast cache {self._folder} cannot be read ({exc.strerror}); continuing without it")
            return None
        try:
            return _decode(head, body)
        except (ValueError, KeyError, TypeError, AttributeError):
            self.drop(key)
            return None

    def put(self, key: str, entry: CacheEntry) -> None:
        """Store an entry."""
        path = self._path(key)
        if path is None:
            return
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            handle, temporary = tempfile.mkstemp(dir=path.parent, suffix=".tmp")
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(_encode(entry))
                    file.flush()
                    os.fsync(file.fileno())
                os.replace(temporary, path)
            except BaseException:
                Path(temporary).unlink(missing_ok=True)
                raise
        except OSError as exc:
            self._report(f"the forecast cache {self._folder} cannot be written ({exc.strerror}); continuing without it")

    def drop(self, key: str) -> None:
        """Remove an entry."""
        path = self._path(key)
        if path is not None:
            try:
                path.unlink(missing_ok=True)
            except OSError as exc:
                self._report(f"the forecast cache {self._folder} cannot be cleaned ({exc.strerror}); continuing")

    def prune(self, *, fetched_before: datetime, now_utc: datetime) -> int:
        """Remove entries that are not fresh and were fetched before `fetched_before`; return how many."""
        removed = 0
        for path in sorted(self._folder.glob("*/*")) if self._folder else ():
            if path.suffix == ".tmp":  # left by a crash between write and rename
                with suppress(OSError):  # or another process is about to rename it
                    if datetime.fromtimestamp(path.stat().st_mtime, UTC) < fetched_before:
                        path.unlink()
                continue
            entry = self.get(path.stem)
            if entry and entry.fetched_at < fetched_before and not entry.is_fresh(now_utc):
                self.drop(path.stem)
                removed += 1
        return removed

    def _path(self, key: str) -> Path | None:
        return self._folder / key[:2] / f"{key}.answer" if self._folder else None

    def _report(self, text: str) -> None:
        if not self._reported:
            self._reported = True
            self._on_trouble(text)


def cache_key(url: str) -> str:
    """Return the file name for a URL: a digest, so that an API key in the query is never stored on disk."""
    return hashlib.sha256(url.encode()).hexdigest()


def _encode(entry: CacheEntry) -> bytes:
    head = {
        "headers": dict(entry.headers),
        "fetched_at": entry.fetched_at.isoformat(),
        "fresh_until": entry.fresh_until.isoformat(),
        "varied": dict(entry.varied),
        "sha256": hashlib.sha256(entry.body).hexdigest(),
    }
    return json.dumps(head).encode() + b"\n" + entry.body


def _decode(head: bytes, body: bytes) -> CacheEntry:
    raw = json.loads(head)
    if raw["sha256"] != hashlib.sha256(body).hexdigest():
        raise ValueError("body does not match its checksum")
    fetched_at, fresh_until = (datetime.fromisoformat(raw[name]) for name in ("fetched_at", "fresh_until"))
    if fetched_at.utcoffset() is None or fresh_until.utcoffset() is None:
        raise ValueError("times must be aware")
    return CacheEntry(
        headers=dict(raw["headers"]), body=body, fetched_at=fetched_at, fresh_until=fresh_until,
        varied=dict(raw["varied"]),
    )  # fmt: skip
