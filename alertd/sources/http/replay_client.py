"""Replays archived HTTP responses: no network, no clock, no cache.

Raises when a response was not archived.
"""

from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final, TypeVar

from alertd.errors import SourceDown, SourceError
from alertd.sources.http.answer import (
    DEFAULT_OPTIONS,
    Answer,
    Doubt,
    RequestOptions,
    SourceResponse,
    full_url,
    no_doubt,
    without_secrets,
)
from alertd.sources.http.errors import parse_json

T = TypeVar("T")


class ReplayClient:
    """Returns the archived responses and errors for the same requests.

    `missing` collects the requests without an archived response: a plan made with any has less input than the original.
    """

    def __init__(self, responses: Iterable[SourceResponse]) -> None:
        self._responses = {(h.url, h.refresh): h for h in responses}
        self.missing: list[str] = []

    async def get_json(
        self,
        source: str,
        url: str,
        *,
        read: Callable[[Any], T],
        params: Mapping[str, str] | None = None,
        doubt: Doubt[T] = no_doubt,
        options: RequestOptions = DEFAULT_OPTIONS,
    ) -> Answer[T]:
        """As `HttpClient.get_json`; the body is parsed again by the current reader.

        `doubt` is not applied: a doubted response was never returned, and the returned one is archived with its reason.
        """
        full = without_secrets(full_url(url, params))
        response = self._responses.get((full, options.refresh))
        if response is None:
            self.missing.append(full)
            raise SourceDown(source, "this answer was not kept")
        if response.failed is not None:
            raise response.failed
        if response.fetched_at is None:
            raise ValueError("an archived response has no time of fetching")
        return Answer(
            value=read(parse_json(source, response.body)),
            body=response.body,
            fetched_at=response.fetched_at,
            from_cache=True,
            stale=bool(response.stale_because),
            stale_because=response.stale_because,
        )


def failure_kinds() -> dict[str, type[SourceError]]:
    """Return every class of source error, by its name in archives."""
    kinds: list[type[SourceError]] = [SourceError]
    for kind in kinds:
        kinds += kind.__subclasses__()
    return {stored_kind(kind): kind for kind in reversed(kinds)}  # of several with one name, the most general


# Archives store the class name that the error had when the format was fixed.
_STORED_KINDS: Final = {
    "RateLimited": "Throttled",
    "Unreachable": "Unreached",
    "NotConnected": "Unreached",
    "NoDataForLocation": "PlaceDown",
    "IncompleteResponse": "CutShort",
}


def stored_kind(kind: type[SourceError]) -> str:
    """Return the archive name of an error class."""
    return _STORED_KINDS.get(kind.__name__, kind.__name__)
