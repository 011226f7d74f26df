"""Decompresses a body as it arrives, up to a size limit.

A few kilobytes of gzip can expand to gigabytes.
"""

import zlib
from typing import Final

ACCEPTED: Final = "gzip, deflate"  # sent as Accept-Encoding
_EITHER: Final = 32 + zlib.MAX_WBITS  # zlib detects gzip or zlib framing itself
_CODINGS: Final = frozenset({"gzip", "x-gzip", "deflate"})


class BodyTooLarge(Exception):
    """The body is larger than its limit."""


class BadContentEncoding(Exception):
    """The body's encoding was not requested, or its compressed data are invalid or truncated."""


class Decompressor:
    """`feed` takes bytes, `end` returns the whole body. coding: Content-Encoding.

    Raises BodyTooLarge and BadContentEncoding.
    """

    def __init__(self, coding: str, most_bytes: int) -> None:
        coding = coding.strip().lower()
        if coding not in _CODINGS | {"", "identity"}:
            raise BadContentEncoding(f'is packed as "{coding}"')
        self._unpack = zlib.decompressobj(_EITHER) if coding in _CODINGS else None
        self._most, self._body, self._begun = most_bytes, bytearray(), False

    def feed(self, chunk: bytes) -> None:
        """Add bytes. Raises BodyTooLarge beyond the limit, BadContentEncoding for invalid data."""
        self._begun = self._begun or bool(chunk)
        if self._unpack is None:
            self._body += chunk
        while self._unpack is not None and chunk and len(self._body) <= self._most:
            if self._unpack.eof:  # gzip may have several members
                self._unpack = zlib.decompressobj(_EITHER)
            try:
                self._body += self._unpack.decompress(chunk, self._most + 1 - len(self._body))
            except zlib.error as exc:
                raise BadContentEncoding("has a broken packing") from exc
            chunk = self._unpack.unconsumed_tail or self._unpack.unused_data
        if len(self._body) > self._most:
            raise BodyTooLarge

    def end(self) -> bytes:
        """Return the whole body. Raises BadContentEncoding when it is truncated."""
        if self._begun and self._unpack is not None and not self._unpack.eof:
            raise BadContentEncoding("ends before its packing does")
        return bytes(self._body)
