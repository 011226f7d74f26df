"""Metrics for monitoring systems: counts, ages and durations in one registry of the daemon.

At most 300 series for any fleet size: no trip, driver or place is a label. The first channels and hosts have labels of
their own; the others share one.
"""

import platform
import sqlite3
from collections import deque
from collections.abc import Sequence
from datetime import datetime
from statistics import median
from threading import Lock
from typing import Final
from urllib.parse import urlsplit

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, Info, disable_created_metrics

import alertd
from alertd.notices.model import Notice
from alertd.planning.cycles.held_plan import HeldPlan
from alertd.sources.http.answer import DOUBTED, SourceResponse
from alertd.store.log import attempts as tries
from alertd.store.store import Store

MAX_CHANNELS: Final = 16
MAX_HOSTS: Final = 16
OTHERS: Final = "others"
OFFSETS_N: Final = 9  # median of this many servers: one server with a wrong clock has no effect
ATTEMPTS_A_READ: Final = 10_000
_OUTCOMES: Final = {tries.DONE: "accepted", tries.FAILED: "failed", tries.PARKED: "parked", tries.EXPIRED: "expired"}
# Seconds from decision to the receiver's acknowledgement; target: median below 2, 99 % below 30.
BUCKETS: Final = (0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0, 300.0, 1800.0, 7200.0, 43200.0)

disable_created_metrics()  # type: ignore[no-untyped-call] # a second series for every counter, not needed


class BoundedLabels:
    """Labels of an open set, limited to a number."""

    def __init__(self, most: int) -> None:
        self._most, self._known = most, set[str]()

    def label(self, name: str) -> str:
        if name not in self._known and len(self._known) < self._most:
            self._known.add(name)
        return name if name in self._known else OTHERS


class Metrics:
    """All metrics of the daemon. Counters start at 0 with the process."""

    def __init__(self) -> None:
        self.registry = at = CollectorRegistry()
        self._channels, self._hosts = BoundedLabels(MAX_CHANNELS), BoundedLabels(MAX_HOSTS)
        self._issued: dict[str, datetime] = {}
        self._reading = Lock()
        self._counted: int | None = None  # the last attempt that `deliveries` counts
        self._offsets: deque[float] = deque(maxlen=OFFSETS_N)
        self.doubted: dict[str, str] = {}  # by host: why an answer of the last cycle is in doubt
        self._doubts: dict[str, str] = {}
        self.blind = False  # trips were planned, but no forecast has arrived since the start
        self.leading = False
        self.last_success = Gauge(
            "alertd_last_success_timestamp_seconds", "When a job last ended well.", ["job"], registry=at
        )
        self.oldest = Gauge("alertd_outbox_oldest_age_seconds", "Age of the oldest undelivered notice.", registry=at)
        self.waiting = Gauge("alertd_outbox_waiting", "Deliveries that wait.", ["channel"], registry=at)
        self.parked = Gauge("alertd_outbox_parked", "Deliveries that wait for a person.", ["channel"], registry=at)
        self.deliveries = Counter(
            "alertd_deliveries",
            "Attempts to deliver of all processes (accepted, failed), and deliveries given up (parked, expired).",
            ["channel", "outcome"],
            registry=at,
        )
        self.notices = Counter("alertd_notices", "Notices decided.", ["kind", "audience"], registry=at)
        self.to_accept = Histogram(
            "alertd_decision_to_accept_seconds",
            "From the decision to the receiver's yes.",
            buckets=BUCKETS,
            registry=at,
        )
        self.forecast_age = Gauge(
            "alertd_forecast_age_seconds", "Age of the forecast that plans are made from.", ["provider"], registry=at
        )
        self.source_failures = Counter("alertd_source_failures", "Answers a source owed us.", ["host"], registry=at)
        self.offset = Gauge(
            "alertd_clock_offset_seconds", "Servers' clocks less our own, the middle of the last nine.", registry=at
        )
        self.clock_steps = Counter("alertd_clock_steps", "Jumps of the machine's clock.", registry=at)
        self.clock_doubted = Gauge(
            "alertd_clock_doubted", "1 while the clock is in doubt, and nothing is skipped or expired.", registry=at
        )
        self.due_slots = Counter(
            "alertd_due_slots", "Briefs that came due, by how they ended.", ["outcome"], registry=at
        )
        self.trips = Gauge("alertd_trips", "Trips of the last cycle.", ["state"], registry=at)
        self.unread = Gauge(
            "alertd_trips_unread", "Rows of trips, or whole files, that the last cycle could not read.", registry=at
        )
        self.leader = Gauge("alertd_leader", "1 while this daemon leads the store.", registry=at)
        build = Info("alertd_build", "What runs.", registry=at)
        build.info(
            {"version": alertd.__version__, "python": platform.python_version(), "sqlite": sqlite3.sqlite_version}
        )
        for outcome in ("ran", "ran_late", "skipped"):
            self.due_slots.labels(outcome)

    def set_leading(self, leading: bool) -> None:
        self.leading = leading
        self.leader.set(leading)

    def count_notice(self, notice: Notice) -> None:
        self.notices.labels(notice.kind.value, notice.audience.value).inc()

    def record_plans(self, plans: Sequence[HeldPlan], not_planned_n: int, unread_n: int = 0) -> int:
        """Count the plans of a cycle; returns how many rest on old or missing data."""
        partial_n = 0
        for held in plans:
            partial_n += held.partial
            self._issued |= dict(held.issued)
        self.blind = bool(plans) and not self._issued
        self.doubted, self._doubts = self._doubts, {}
        for state, n in (("planned", len(plans)), ("on_partial_data", partial_n), ("not_planned", not_planned_n)):
            self.trips.labels(state).set(n)
        self.unread.set(unread_n)
        return partial_n

    def count_response(self, response: SourceResponse) -> None:
        """Count an answer of a source, or its absence."""
        because = response.failed.problem if response.failed is not None else response.stale_because
        if DOUBTED in because:
            self._doubts.setdefault(urlsplit(response.url).hostname or "", because)
        if response.failed is not None or response.stale_because:
            self.source_failures.labels(self._hosts.label(urlsplit(response.url).hostname or "")).inc()
        if response.clock_offset_s is not None:
            self._offsets.append(response.clock_offset_s)
            self.offset.set(median(self._offsets))

    def forecast_ages_s(self, now_utc: datetime) -> dict[str, float]:
        """Forecast age [s] by provider, for the providers used in the last plans."""
        return {name: max(0.0, (now_utc - at).total_seconds()) for name, at in sorted(self._issued.items())}

    def begin(self, store: Store) -> None:
        """Count the attempts to deliver from now on. Raises StoreError."""
        with self._reading:
            if self._counted is None:
                self._counted = store.attempts.newest()

    def _count_attempts(self, store: Store) -> None:
        """Count the new attempts of all processes of the store: workers deliver too."""
        self.begin(store)
        with self._reading:
            assert self._counted is not None  # noqa: S101 - set by `begin`
            while new := store.attempts.after(self._counted, ATTEMPTS_A_READ):
                for one in new:
                    if outcome := _OUTCOMES.get(one.outcome):
                        self.deliveries.labels(self._channels.label(one.target), outcome).inc()
                    if one.outcome == tries.DONE:
                        self.to_accept.observe(max(0.0, (one.at - one.decided_at).total_seconds()))
                self._counted = new[-1].number

    def refresh(self, store: Store, now_utc: datetime) -> None:
        """Update the metrics that are read from the store. Raises StoreError."""
        self._count_attempts(store)
        waiting: dict[str, int] = {}
        parked: dict[str, int] = {}
        oldest_s = 0.0
        for tally in store.outbox.counts_by_channel():
            name = self._channels.label(tally.target)
            waiting[name] = waiting.get(name, 0) + tally.waiting_n
            parked[name] = parked.get(name, 0) + tally.parked_n
            if tally.oldest_waiting_at is not None:
                oldest_s = max(oldest_s, (now_utc - tally.oldest_waiting_at).total_seconds())
        self.oldest.set(oldest_s)
        for gauge, counts in ((self.waiting, waiting), (self.parked, parked)):
            for name, n in counts.items():
                gauge.labels(name).set(n)
        for name, age_s in self.forecast_ages_s(now_utc).items():
            self.forecast_age.labels(name).set(age_s)
