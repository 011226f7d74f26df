"""What was parsed from the last two bodies of each URL, so that a body that comes again is not parsed again.

A new body is compared with the one before, hence two. Values are packed: an answer of a hundred places is some thousand
small arrays, and reading the packed bytes takes a tenth of the time of parsing JSON.
"""

import pickle
import zlib
from collections import OrderedDict
from hashlib import blake2b
from typing import Any, Final, Generic, TypeVar

T = TypeVar("T")

MOST_BYTES: Final = 64 << 20  # packed [A]: 300 roads of a hundred places
_LEVEL: Final = 1


class ParsedByUrl:
    """Packed values by URL; those used longest ago are dropped beyond the bytes."""

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self._most_bytes, self._bytes_n = most_bytes, 0
        self._kept: OrderedDict[str, dict[bytes, bytes]] = OrderedDict()  # by URL: by digest of the body, newest last

    def of(self, url: str) -> "ParsedBodies[Any]":
        """What is kept of one URL."""
        return ParsedBodies(self, url)

    def get(self, url: str, digest: bytes) -> bytes | None:
        """The packed value of a body; None where it is not kept."""
        packed = self._kept.get(url, {}).get(digest)
        if packed is not None:
            self._kept.move_to_end(url)
        return packed

    def put(self, url: str, digest: bytes, packed: bytes) -> None:
        """Keep the value of a new body of a URL, and that of the one before."""
        before = self._kept.pop(url, {})
        self._kept[url] = dict([*before.items()][-1:]) | {digest: packed}
        self._bytes_n += _size(self._kept[url]) - _size(before)
        while self._bytes_n > self._most_bytes:
            self._bytes_n -= _size(self._kept.popitem(last=False)[1])


class ParsedBodies(Generic[T]):
    """The values of one URL."""

    def __init__(self, kept: ParsedByUrl, url: str) -> None:
        self._kept, self._url = kept, url

    def get(self, body: bytes) -> T | None:
        """The value that was parsed from this very body; None where it is not kept."""
        packed = self._kept.get(self._url, _digest(body))
        if packed is None:
            return None
        found: T = pickle.loads(zlib.decompress(packed))  # noqa: S301 - packed by this process
        return found

    def put(self, body: bytes, value: T) -> None:
        """Keep the value of a new body."""
        self._kept.put(self._url, _digest(body), zlib.compress(pickle.dumps(value, protocol=5), _LEVEL))


def _size(packed: dict[bytes, bytes]) -> int:
    return sum(map(len, packed.values()))


def _digest(body: bytes) -> bytes:
    return blake2b(body, digest_size=16).digest()
