"""Combines store counts, breakers and stored states into one health record per channel."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from alertd.delivery.circuit_breaker import BreakerHealth
from alertd.notices.channel_state import ChannelState


class ChannelCounts(Protocol):
    """Delivery counts of one channel, from the store."""

    @property
    def target(self) -> str: ...
    @property
    def waiting_n(self) -> int: ...
    @property
    def parked_n(self) -> int: ...
    @property
    def expired_n(self) -> int: ...
    @property
    def done_n(self) -> int: ...
    @property
    def last_done_at(self) -> datetime | None: ...
    @property
    def oldest_waiting_at(self) -> datetime | None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelHealth:
    """Health of one channel. Ages are in seconds; None where no event supplies a start time.

    configured: the settings name the channel. disabled: no notices are sent until an operator reopens it.
    failures_in_a_row: attempts since the last success. problem: the last error, or why the channel is disabled. Both
    survive a restart.
    """

    target: str
    configured: bool
    disabled: bool
    failing_s: float | None
    failures_in_a_row: int
    last_success_age_s: float | None
    oldest_waiting_age_s: float | None
    waiting_n: int
    parked_n: int
    expired_n: int
    done_n: int
    problem: str


def channel_health(
    configured: Iterable[str],
    counts: Iterable[ChannelCounts],
    breakers: Iterable[BreakerHealth],
    states: Mapping[str, ChannelState],
    now: datetime,
) -> tuple[ChannelHealth, ...]:
    """Return every channel that is configured or has deliveries, sorted by name.

    `breakers` is empty where no delivery worker runs.
    """
    counted, by_target, names = {t.target: t for t in counts}, {x.target: x for x in breakers}, set(configured)
    return tuple(
        _one(name, name in names, counted.get(name), by_target.get(name), states.get(name), now)
        for name in sorted(names | counted.keys())
    )


def _one(
    target: str,
    configured: bool,
    counts: ChannelCounts | None,
    breaker: BreakerHealth | None,
    kept: ChannelState | None,
    now: datetime,
) -> ChannelHealth:
    def age_s(at: datetime | None) -> float | None:
        return None if at is None else max(0.0, (now - at).total_seconds())

    known = (breaker and breaker.last_success_at, counts and counts.last_done_at, kept and kept.last_success_at)
    successes = [at for at in known if at]
    failing_since = breaker.failing_since if breaker else None
    if failing_since is None and kept is not None and kept.state == "failing":
        failing_since = kept.since
    return ChannelHealth(
        target=target,
        configured=configured,
        disabled=kept.state == "disabled" if kept else False,
        failing_s=age_s(failing_since),
        failures_in_a_row=breaker.failures_in_a_row if breaker else kept.failures if kept else 0,
        last_success_age_s=age_s(max(successes, default=None)),
        oldest_waiting_age_s=age_s(counts.oldest_waiting_at if counts else None),
        waiting_n=counts.waiting_n if counts else 0,
        parked_n=counts.parked_n if counts else 0,
        expired_n=counts.expired_n if counts else 0,
        done_n=counts.done_n if counts else 0,
        problem=(kept.why if kept else "") or (breaker.last_problem if breaker else ""),
    )
