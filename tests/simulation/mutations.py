"""Take one safeguard away at a time; a seed of the simulated nights must then break an invariant.

    python tests/simulation/mutations.py                  # all, as the rows of a Markdown table
    python tests/simulation/mutations.py 30 "relief at once"

The first argument is the last seed that is tried. Ends with 1 when no seed notices that a safeguard is missing.
"""

import logging
import sys
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any, Final
from unittest.mock import patch

sys.path.insert(0, str(Path(__file__).parent))

import night
import outages
from sqlalchemy import false, insert, select

from alertd.delivery.worker import DeliveryWorker
from alertd.notices.model import NoticeKind
from alertd.planning.decisions import decide
from alertd.service.clock_guard import GuardedClock
from alertd.service.recording import plan_recorder
from alertd.store.outbox import Outbox
from alertd.store.retention import Retention
from alertd.store.schema import notices, notices_seen
from alertd.store.store import Store
from alertd.store.work import claims

Patches = Callable[[ExitStack], None]


def _swap(target: str, value: Any) -> Patches:
    def swap(stack: ExitStack) -> None:
        stack.enter_context(patch(target, value))

    return swap


def _random_ids(stack: ExitStack) -> None:
    turns = iter(range(10**9))

    def random_id(kind: NoticeKind, audience: Any, *content: str) -> str:
        return f"ntc_{next(turns):032d}"

    for module in ("compose", "digest", "late_delivery", "unplanned"):
        stack.enter_context(patch(f"alertd.notices.triggers.{module}.notice_id", random_id))


def _no_order(stack: ExitStack) -> None:
    """A delivery does not wait for an older one of its trip."""
    stack.enter_context(patch.object(claims, "has_older_waiting", lambda now: false()))


def _sends_overtaken(stack: ExitStack) -> None:
    """What a clock in doubt passed over as expired is sent after newer news."""
    mark = Outbox.mark_all_done
    late = lambda self, done, states=(), overtaking=False: mark(self, done, states)  # noqa: E731
    stack.enter_context(patch.object(Outbox, "mark_all_done", late))


def _marks_first(stack: ExitStack) -> None:
    claim = Outbox.claim_many

    def marked(self: Outbox, now: datetime, *args: Any, **more: Any) -> Any:
        claimed = claim(self, now, *args, **more)
        self.mark_all_done({one.id: now for many in claimed.values() for one in many})
        return claimed

    stack.enter_context(patch.object(Outbox, "claim_many", marked))


def _splits_transaction(stack: ExitStack) -> None:
    """Record the notices in one transaction, and their deliveries in none: as if the process ended in between."""
    record, turns = Store.record_plans, iter(range(10**9))

    def split(self: Store, records: Any, targets: Any) -> Any:
        return record(self, records, targets if next(turns) % 20 else {})

    stack.enter_context(patch.object(Store, "record_plans", split))


def _eases_on_partial(stack: ExitStack) -> None:
    """The policy of notices gets every plan as a complete one."""
    notices = decide.plan_notices

    def complete(plan: Any, *args: Any, **more: Any) -> Any:
        return notices(replace(plan, partial=False), *args, **more)

    stack.enter_context(patch.object(decide, "plan_notices", complete))


def _eases_by_doubted_clock(stack: ExitStack) -> None:
    recorder = plan_recorder.PlanRecorder
    basis_of = recorder.basis_of

    def eager(self: Any, trip: Any) -> Any:
        self.may_ease = lambda: True
        return basis_of(self, trip)

    stack.enter_context(patch.object(recorder, "basis_of", eager))


def _orders_by_clock(stack: ExitStack) -> None:
    by_clock = lambda connection, new: {one.id: one.made_at for one in new}  # noqa: E731
    stack.enter_context(patch("alertd.store.store._in_order", by_clock))


def _trusts_clock(stack: ExitStack) -> None:
    stack.enter_context(patch.object(GuardedClock, "__call__", lambda self: self.machine()))
    for name in ("trusted", "may_remove", "confirmed"):
        stack.enter_context(patch.object(GuardedClock, name, property(lambda self: True)))


def _sends_expired(stack: ExitStack) -> None:
    """The worker sends what it claims, however old it is."""
    deliver = DeliveryWorker._deliver

    async def always(self: Any, outgoing: Any, breaker: Any, counts: Any) -> Any:
        at = counts.clock()
        return await deliver(self, _Lasting(outgoing, at), breaker, counts)

    stack.enter_context(patch.object(DeliveryWorker, "_deliver", always))


class _Lasting:
    """A delivery whose expiry the worker does not see."""

    def __init__(self, outgoing: Any, at: datetime) -> None:
        self._outgoing, self._at = outgoing, at

    def __getattr__(self, name: str) -> Any:
        if name == "expires_at" and sys._getframe(1).f_code.co_name == "_deliver":
            return datetime.max.replace(tzinfo=self._at.tzinfo)
        return getattr(self._outgoing, name)


def _never_frees(stack: ExitStack) -> None:
    lasting = lambda self, *args, **more: 0  # noqa: E731
    stack.enter_context(patch("alertd.delivery.worker.LEASE_S", 1e7))
    stack.enter_context(patch.object(Outbox, "release_claims", lasting))
    stack.enter_context(patch.object(Outbox, "wake_future", lasting))
    init = DeliveryWorker.__init__
    stack.enter_context(
        patch.object(DeliveryWorker, "__init__", lambda self, *a, **m: init(self, *a, **{**m, "lease_s": 1e7}))
    )


def _suspends_time(stack: ExitStack) -> None:
    """The time of a delivery run stands still while the machine is suspended."""
    init = DeliveryWorker.__init__
    stack.enter_context(
        patch.object(DeliveryWorker, "__init__", lambda self, *a, **m: init(self, *a, **{**m, "elapsed": lambda: 0.0}))
    )


def _removes_unconfirmed(stack: ExitStack) -> None:
    """Records are removed by the machine's clock, whatever servers show."""
    stack.enter_context(patch.object(GuardedClock, "may_remove", property(lambda self: True)))


def _keeps_by_own_time(stack: ExitStack) -> None:
    """The days of a notice count from its own time, which a wrong clock may have written."""

    def see(self: Retention, now: datetime) -> None:
        known = select(notices_seen.c.notice_id)
        own = select(notices.c.id, notices.c.created_at).where(notices.c.id.not_in(known))
        with self._database.write() as connection:
            connection.execute(insert(notices_seen).from_select(["notice_id", "seen_at"], own))

    stack.enter_context(patch.object(Retention, "see_notices", see))


def _forgets_unmarked(stack: ExitStack) -> None:
    """The worker does not keep what it sent while the disk took no mark."""

    class Forgetful(dict[int, datetime]):
        def __setitem__(self, key: int, value: datetime) -> None:
            return None

    init = DeliveryWorker.__init__

    def forgetful(self: Any, *args: Any, **more: Any) -> None:
        init(self, *args, **more)
        assert self._sent_unmarked == {}
        self._sent_unmarked = Forgetful()

    stack.enter_context(patch.object(DeliveryWorker, "__init__", forgetful))


MUTATIONS: Final[dict[str, Patches]] = {
    "id of a notice not from its content": _random_ids,
    "fencing off": _swap("alertd.store.connection.Database._check_epoch", lambda self, epoch: None),
    "delivery marked before it is sent": _marks_first,
    "notice and deliveries not in one transaction": _splits_transaction,
    "no order in a channel": _no_order,
    "relief at once": _swap("alertd.notices.triggers.plan_changes.has_lasted", lambda *args: True),
    "relief on a partial plan": _eases_on_partial,
    "relief by a doubted clock": _eases_by_doubted_clock,
    "newest plan by the clock": _orders_by_clock,
    "every clock believed": _trusts_clock,
    "expired notice sent": _sends_expired,
    "overtaken notice sent": _sends_overtaken,
    "claims never freed": _never_frees,
    "time of a run stops over a suspend": _suspends_time,
    "records removed by an unconfirmed clock": _removes_unconfirmed,
    "notices kept by their own time": _keeps_by_own_time,
    "sent notices forgotten while the disk is full": _forgets_unmarked,
    "future briefs stay settled": _swap("alertd.store.schedule.DueTable.reopen_future", lambda *args, **more: []),
    "a doubted clock settles": _swap("alertd.daemon.jobs.Daemon._settles", property(lambda self: True)),
    "skipped brief not named": _swap("alertd.service.briefs._skipped_before", lambda *args: ()),
}


# A brief is skipped only where the host is away for longer than its grace: no night of 15 hours holds that.
BY_OUTAGE: Final = ("skipped brief not named",)


def first_failure(name: str, seeds: Iterable[int], parts: Any) -> str:
    """Return what the first failing seed reports without the safeguard `name`; "" if none fails."""
    for seed in seeds:
        with ExitStack() as stack:
            MUTATIONS[name](stack)
            try:
                if name in BY_OUTAGE:
                    outages.outage("host", 24, seed, *parts)
                else:
                    night.simulate(seed, *parts)
            except night.Violation as exc:
                return str(exc) if name not in BY_OUTAGE else f"outage of the host, seed {seed}: {exc}"
    return ""


def main() -> int:
    logging.disable(logging.CRITICAL)
    last, names = int((sys.argv[1:] or ["20"])[0]), sys.argv[2:] or list(MUTATIONS)
    parts, missed = night.night_settings(), 0
    for name in names:
        found = first_failure(name, range(1, last + 1), parts)
        missed += not found
        seed, _, what = found.partition(": ")
        print(f"| {name} | {seed or '-'} | {what.partition(' (python')[0][:140] or 'NO SEED FAILS'} |", flush=True)
    return 1 if missed else 0


if __name__ == "__main__":
    raise SystemExit(main())
