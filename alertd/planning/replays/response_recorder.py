"""Records the answers of sources that a plan is made from, while it is made."""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from alertd.sources.http.answer import SourceResponse

_RESPONSES: ContextVar[list[SourceResponse] | None] = ContextVar("heard", default=None)


def record_response(response: SourceResponse) -> None:
    """Add an answer to the innermost `recording`; clients call it with each answer that they return."""
    listener = _RESPONSES.get()
    if listener is not None:
        listener.append(response)


@contextmanager
def recording() -> Iterator[list[SourceResponse]]:
    """Record the answers that sources receive inside the block and in tasks started there, and no others."""
    responses: list[SourceResponse] = []
    token = _RESPONSES.set(responses)
    try:
        yield responses
    finally:
        _RESPONSES.reset(token)
