"""Answers kept earlier, handed out again: no network, no clock, no cache, and nothing made up for what is missing."""

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
    """Answers the same questions as before with the same answers and failures.

    `missing` gathers the questions it was never told the answer to: a plan made while it is not empty stands on less
    than the first one did.
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
        """As `HttpClient.get_json`; the body is read anew, with the reader at hand.

        `doubt` is not applied: a doubted answer was not handed out, and what was is kept with the reason.
        """
        asked = without_secrets(full_url(url, params))
        heard = self._responses.get((asked, options.refresh))
        if heard is None:
            self.missing.append(asked)
            raise SourceDown(source, "this answer was not kept")
        if heard.failed is not None:
            raise heard.failed
        if heard.fetched_at is None:
            raise ValueError("an answer that was kept has the time it was fetched")
        return Answer(
            value=read(parse_json(source, heard.body)), body=heard.body, fetched_at=heard.fetched_at, from_cache=True,
            stale=bool(heard.stale_because), stale_because=heard.stale_because,
        )  # fmt: skip


def failure_kinds() -> dict[str, type[SourceError]]:
    """Every kind of failure that sources tell apart, by name."""
    kinds: list[type[SourceError]] = [SourceError]
    for kind in kinds:
        kinds += kind.__subclasses__()
    return {stored_kind(kind): kind for kind in kinds}


# Archives name a failure by the class that it had when the format was fixed.
_STORED_KINDS: Final = {
    "RateLimited": "Throttled",
    "Unreachable": "Unreached",
    "NoDataForLocation": "PlaceDown",
    "IncompleteResponse": "CutShort",
}


def stored_kind(kind: type[SourceError]) -> str:
    """The name of a kind of failure in an archive."""
    return _STORED_KINDS.get(kind.__name__, kind.__name__)
