"""How each way out is doing, as one value for a metrics page and a board."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from alertd.delivery.circuit_breaker import Kept, TargetHealth


class Tally(Protocol):
    """What the store counts of one target."""

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
    """One target. Ages are in seconds and None where there is nothing to count from.

    configured: the settings name it. disabled: nothing goes there until a person reopens it. failures_in_a_row:
    tries since the last success. problem: the last of their errors, or why it is disabled. Both outlive a restart.
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
    tallies: Iterable[Tally],
    lanes: Iterable[TargetHealth],
    standings: Mapping[str, Kept],
    now: datetime,
) -> tuple[ChannelHealth, ...]:
    """Every target that is configured or has deliveries, by name. `lanes` are empty where no dispatcher runs."""
    counted, met, names = {t.target: t for t in tallies}, {x.target: x for x in lanes}, set(configured)
    return tuple(
        _one(name, name in names, counted.get(name), met.get(name), standings.get(name), now)
        for name in sorted(names | counted.keys())
    )


def _one(
    target: str,
    configured: bool,
    tally: Tally | None,
    lane: TargetHealth | None,
    kept: Kept | None,
    now: datetime,
) -> ChannelHealth:
    def age_s(at: datetime | None) -> float | None:
        return None if at is None else max(0.0, (now - at).total_seconds())

    known = (lane and lane.last_success_at, tally and tally.last_done_at, kept and kept.last_success_at)
    successes = [at for at in known if at]
    failing_since = lane.failing_since if lane else None
    if failing_since is None and kept is not None and kept.state == "failing":
        failing_since = kept.since
    return ChannelHealth(
        target=target,
        configured=configured,
        disabled=kept.state == "disabled" if kept else False,
        failing_s=age_s(failing_since),
        failures_in_a_row=lane.failures_in_a_row if lane else kept.failures if kept else 0,
        last_success_age_s=age_s(max(successes, default=None)),
        oldest_waiting_age_s=age_s(tally.oldest_waiting_at if tally else None),
        waiting_n=tally.waiting_n if tally else 0,
        parked_n=tally.parked_n if tally else 0,
        expired_n=tally.expired_n if tally else 0,
        done_n=tally.done_n if tally else 0,
        problem=(kept.why if kept else "") or (lane.last_problem if lane else ""),
    )
