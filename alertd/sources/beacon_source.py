"""Reads the daemon's beacon from a file or over HTTP, for a watch."""

import ssl
from pathlib import Path
from typing import Final

import httpx

from alertd.errors import SourceDown

DEADLINE_S: Final = 20.0


def is_url(source: str) -> bool:
    """Whether a source is an address rather than a file."""
    return source.startswith(("https://", "http://"))


async def read_beacon(source: str, token: str, max_bytes: int) -> bytes:
    """Return the bytes of the beacon at `source`. Raises SourceDown when none can be had, or more than `max_bytes`."""
    if not is_url(source):
        try:
            with Path(source).open("rb") as file:
                return _within(file.read(max_bytes + 1), source, max_bytes)
        except OSError as exc:
            raise SourceDown(source, f"cannot be read ({exc.strerror})", retryable=True) from exc
    headers = {"Authorization": f"Bearer {token}"} if token else {}
    try:
        async with (
            httpx.AsyncClient(timeout=DEADLINE_S, trust_env=False, verify=ssl.create_default_context()) as client,
            client.stream("GET", source, headers=headers) as answer,
        ):
            if answer.status_code != httpx.codes.OK:
                raise SourceDown(source, f"answers {answer.status_code}", retryable=True)
            content = bytearray()
            async for chunk in answer.aiter_bytes():
                content += chunk
                _within(content, source, max_bytes)
            return bytes(content)
    except (httpx.HTTPError, httpx.InvalidURL, OSError) as exc:
        raise SourceDown(source, f"no answer ({type(exc).__name__})", retryable=True) from exc


def _within(content: bytes | bytearray, source: str, max_bytes: int) -> bytes:
    if len(content) > max_bytes:
        raise SourceDown(source, f"has more than {max_bytes:,} bytes")
    return bytes(content)
