"""A body unpacked as it arrives and never beyond its limit: a few kilobytes of gzip can stand for gigabytes."""

import zlib
from typing import Final

ACCEPTED: Final = "gzip, deflate"  # what Accept-Encoding says
_EITHER: Final = 32 + zlib.MAX_WBITS  # zlib finds out by itself whether gzip or zlib wraps the data
_CODINGS: Final = frozenset({"gzip", "x-gzip", "deflate"})


class BodyTooLarge(Exception):
    """The body is larger than its limit."""


class BadContentEncoding(Exception):
    """The body is packed in a way that was not asked for, or its packing is broken or cut short."""


class Decompressor:
    """Bytes in by `feed`, the whole body out by `end`. coding: Content-Encoding. Raises TooLarge and Packed."""

    def __init__(self, coding: str, most_bytes: int) -> None:
        coding = coding.strip().lower()
        if coding not in _CODINGS | {"", "identity"}:
            raise BadContentEncoding(f'is packed as "{coding}"')
        self._unpack = zlib.decompressobj(_EITHER) if coding in _CODINGS else None
        self._most, self._body, self._begun = most_bytes, bytearray(), False

    def feed(self, chunk: bytes) -> None:
        self._begun = self._begun or bool(chunk)
        if self._unpack is None:
            self._body += chunk
        while self._unpack is not None and chunk and len(self._body) <= self._most:
            if self._unpack.eof:  # gzip may come in several members
                self._unpack = zlib.decompressobj(_EITHER)
            try:
                self._body += self._unpack.decompress(chunk, self._most + 1 - len(self._body))
            except zlib.error as exc:
                raise BadContentEncoding("has a broken packing") from exc
            chunk = self._unpack.unconsumed_tail or self._unpack.unused_data
        if len(self._body) > self._most:
            raise BodyTooLarge

    def end(self) -> bytes:
        if self._begun and self._unpack is not None and not self._unpack.eof:
            raise BadContentEncoding("ends before its packing does")
        return bytes(self._body)
