"""Sliding-window rate limits per caller or address."""

import math
from collections import deque
from ipaddress import IPv6Address, IPv6Network, ip_address
from typing import Final

WINDOW_S: Final = 60.0
RATE: Final = "alertd.rate"  # in the scope of a request: the header fields of its limit
MAX_KEYS: Final = 10_000  # above this number, keys without a request in the last minute are dropped


class SlidingWindowLimiter:
    """At most `most` in any 60 seconds for each key. Times are monotonic seconds."""

    def __init__(self, most: int) -> None:
        self.most = self._most = most
        self._times: dict[str, deque[float]] = {}

    def wait_s(self, key: str, now_s: float) -> int:
        """Whole seconds until the next request is within the limit; 0 when it already is."""
        times = self._recent(key, now_s)
        return 0 if len(times) < self._most else max(1, math.ceil(times[0] + WINDOW_S - now_s))

    def left(self, key: str, now_s: float) -> tuple[int, int]:
        """Requests that are left now, and whole seconds until the oldest counted one no longer counts."""
        times = self._recent(key, now_s)
        reset_s = max(1, math.ceil(times[0] + WINDOW_S - now_s)) if times else 0
        return max(0, self._most - len(times)), reset_s

    def record(self, key: str, now_s: float) -> None:
        """Record one request that was within the limit."""
        if len(self._times) >= MAX_KEYS:
            self._times = {k: t for k, t in self._times.items() if t and t[-1] > now_s - WINDOW_S}
            for oldest in list(self._times)[: len(self._times) - MAX_KEYS * 9 // 10]:
                del self._times[oldest]  # all active: a flood of addresses must not use up memory
        times = self._recent(key, now_s)
        self._times[key] = times
        times.append(now_s)

    def _recent(self, key: str, now_s: float) -> deque[float]:
        times = self._times.get(key) or deque(maxlen=self._most)
        while times and times[0] <= now_s - WINDOW_S:
            times.popleft()
        return times


def rate_headers(kind: str, most: int, left: int, reset_s: int) -> dict[str, str]:
    """The header fields of the IETF draft "RateLimit header fields for HTTP" (draft-ietf-httpapi-ratelimit-headers)."""
    return {
        "RateLimit-Policy": f'"{kind}";q={most};w={WINDOW_S:.0f}',
        "RateLimit": f'"{kind}";r={left};t={reset_s}',
    }


def network_of(address: str) -> str:
    """The unit counted as one sender: an IPv4 address, or the /64 of an IPv6 address, which one host may use."""
    try:
        at = ip_address(address)
    except ValueError:
        return address
    if not isinstance(at, IPv6Address) or at.is_loopback:
        return str(at)
    return str(at.ipv4_mapped or IPv6Network((int(at), 64), strict=False))
