"""The files that roads have in common, which the archive stores once a cycle."""

from collections.abc import Iterable
from datetime import datetime


class PlacedFiles:
    """Digests of the files that are in the archive by a moment: the roads of a cycle have most of them in common.

    A file is known by the identity of its bytes, so that those of thousands of rigs are not read again for each road.
    """

    def __init__(self) -> None:
        self._now_utc: datetime | None = None
        self._known: dict[int, tuple[bytes, str]] = {}

    def digest(self, content: bytes, now_utc: datetime) -> str | None:
        """The digest of a file that was stored at this moment; None for any other."""
        known = self._known.get(id(content)) if now_utc == self._now_utc else None
        return known[1] if known is not None and known[0] is content else None

    def add(self, files: Iterable[tuple[bytes, str]], now_utc: datetime) -> None:
        """Files that are in their places, with their digests. Those of another moment are forgotten."""
        if now_utc != self._now_utc:
            self._now_utc, self._known = now_utc, {}
        self._known.update({id(content): (content, digest) for content, digest in files})
