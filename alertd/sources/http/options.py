"""Settings of the HTTP client."""

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from alertd.sources.http.answer import (
    SourceResponse,
)
from alertd.sources.http.host_limits import HostLimits
from alertd.sources.http.retry import RetryPolicy, Sleeper

if TYPE_CHECKING:
    import httpx


@dataclass(frozen=True, slots=True, kw_only=True)
class Connection:
    """How servers are asked. transport: None for the network."""

    retry: RetryPolicy = field(default_factory=RetryPolicy)
    transport: "httpx.AsyncBaseTransport | None" = None


def offline() -> Connection:
    """No server is asked: each call fails at once, and a plan has only what is on file."""
    from alertd.sources.http.offline import NoNetwork

    never = 1_000_000_000  # a pause of a host would be one more reason than there is
    return Connection(retry=RetryPolicy(tries=1, give_up_after=never, failing_after=never), transport=NoNetwork())


@dataclass(frozen=True, slots=True, kw_only=True)
class HttpOptions:
    """Settings of a client.

    trust_env: use the proxy of the environment and .netrc. False: another program's settings must not redirect ours.

    contact: how a server's operator reaches us, sent in User-Agent; without it only loopback hosts are allowed.
    cache_dir: None for no cache; call counts are then in memory only. rng: jitter of the back-off. sleep and ticks pace
    the calls; None uses the event loop's time. transport: for tests. deadline_s limits one call with all its attempts,
    from when it may start; a read timeout alone never ends a server that sends slowly. at_once_per_host,
    per_s_per_host: for hosts without stated limits. host_limits: stated limits by domain, besides ours. on_response is
    called with each result, from the network or the cache, including errors.
    """

    contact: str
    cache_dir: Path | None
    now_utc: Callable[[], datetime]
    rng: np.random.Generator
    sleep: Sleeper = asyncio.sleep
    ticks: Callable[[], float] | None = None
    deadline_s: float = 45.0
    retry: RetryPolicy = field(default_factory=RetryPolicy)
    at_once_per_host: int = 4
    per_s_per_host: float = 5.0
    on_error: Callable[[str], None] = lambda text: None
    on_response: Callable[[SourceResponse], None] = lambda response: None
    host_limits: Mapping[str, HostLimits] = field(default_factory=dict)
    transport: "httpx.AsyncBaseTransport | None" = None
    trust_env: bool = False
