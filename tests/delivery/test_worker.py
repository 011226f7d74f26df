"""The dispatcher with the real store on a held clock: nothing lost, nothing stuck, the right people told."""

import asyncio
import time
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from alertd.delivery.channel import ChannelGone, NoticeRejected, OutgoingNotice
from alertd.delivery.circuit_breaker import Alarm
from alertd.delivery.worker import DeliveryWorker
from alertd.errors import DeliveryError, StoreError
from alertd.notices.channel_state import ChannelState
from alertd.notices.model import Audience, Notice, NoticeKind, notice_id
from alertd.store import outbox as outbox_module
from alertd.store.outbox import Outbox
from alertd.store.rows import ClaimedDelivery, StoredTrip
from alertd.store.store import Store


class Scripted:
    """A channel that raises what it is told to, one a try, then takes everything; keeps what it took."""

    def __init__(self, *errors: Exception | None) -> None:
        self.errors, self.taken, self.tries_n = list(errors), [], 0
        self.down: Exception | None = None
        self.refuses: set[str] = set()

    async def send(self, outgoing: OutgoingNotice, now_epoch_s: float) -> None:
        self.tries_n += 1
        error = self.errors.pop(0) if self.errors else self.down
        if outgoing.text in self.refuses:
            error = NoticeRejected(outgoing.target, "answered 422")
        if error is not None:
            raise error
        self.taken.append((outgoing.text, outgoing.notice_id, outgoing.body, now_epoch_s))

    @property
    def texts(self) -> list[str]:
        return [text for text, *_ in self.taken]


@pytest.fixture
def store(tmp_path: Path, noon: datetime):
    with Store(tmp_path / "alertd.sqlite") as opened:
        opened.put_trip(StoredTrip(id="trip-1", body="{}", created_at=noon))
        yield opened


@pytest.fixture
def say(store: Store, noon: datetime) -> Callable[..., Notice]:
    def one(text: str, *, to: str = "hook", at: datetime = noon, trip_id: str = "trip-1", life_h: float = 12) -> Notice:
        notice = Notice(
            id=notice_id(NoticeKind.WORSE, Audience.FLEET, trip_id, text),
            kind=NoticeKind.WORSE,
            audience=Audience.FLEET,
            trip_id=trip_id,
            plan_id="",
            created_at=at,
            expires_at=at + timedelta(hours=life_h),
            text=text,
            body=f'{{"said":"{text}"}}',
        )
        store.record_notices([notice], {Audience.FLEET: [to]}, at)
        return notice

    return one


def _dispatcher(outbox: Outbox, **channels: object) -> DeliveryWorker:
    return DeliveryWorker(outbox, channels, owner="me", rng=np.random.default_rng(1))


class NoRoomForMarks(Outbox):
    """The disk is full at the moment of a mark."""

    full = True

    def mark_all_done(self, *args: object) -> list[ClaimedDelivery]:
        if self.full:
            raise StoreError("disk is full")
        return super().mark_all_done(*args)


def _texts(alarms: Sequence[Alarm]) -> list[str]:
    return [str(alarm) for alarm in alarms]


async def test_a_trips_notices_arrive_in_order_once_and_unchanged(store: Store, noon: datetime, say) -> None:
    notices = [say(f"{number}") for number in range(10)]
    hook = Scripted()
    dispatcher = _dispatcher(store.outbox, hook=hook)
    done = await dispatcher.deliver_due(noon)
    assert (done.done_n, done.retried_n, done.alarms) == (10, 0, ())
    assert [(name, body) for _, name, body, _ in hook.taken] == [(one.id, one.body.encode()) for one in notices]
    assert (await dispatcher.deliver_due(noon + timedelta(hours=1))).done_n == 0
    assert hook.tries_n == 10


async def test_nothing_older_follows_what_a_doubted_clock_sent(store: Store, noon: datetime, say) -> None:
    """By a clock three hours ahead the older notice looks expired, and the newer one goes before it."""
    older, newer = say("older", life_h=2.0), say("newer")
    hook = Scripted()
    dispatcher = _dispatcher(store.outbox, hook=hook)
    report = await dispatcher.deliver_due(noon + timedelta(hours=3), settles=False)
    assert hook.texts == ["newer"]
    (alarm,) = report.alarms
    assert alarm.text.endswith("hook is parked: newer news of its trip went before")
    await dispatcher.deliver_due(noon + timedelta(minutes=15))
    assert hook.texts == ["newer"]
    assert [store.outbox.of_notice(one.id)[0].state for one in (older, newer)] == ["parked", "done"]


async def test_disk_full_in_doubt_still_parks_what_was_overtaken(store: Store, noon: datetime, say) -> None:
    older = say("older", life_h=2.0)
    say("newer")
    hook = Scripted()

    outbox = NoRoomForMarks(store._database)
    dispatcher = _dispatcher(outbox, hook=hook)
    with pytest.raises(StoreError, match="full"):
        await dispatcher.deliver_due(noon + timedelta(hours=3), settles=False)
    outbox.full = False
    assert len((await dispatcher.deliver_due(noon + timedelta(minutes=15))).alarms) == 1
    assert hook.texts == ["newer"]
    assert store.outbox.of_notice(older.id)[0].state == "parked"


async def test_a_crash_between_send_and_mark_sends_the_same_again(store: Store, noon: datetime, say) -> None:
    """The first daemon dies after the send: its claim ends, and the second sends the same id and bytes."""
    notice = say("chain")
    hook = Scripted()

    class Dies(Outbox):
        def mark_all_done(self, *args: object) -> None:
            raise InterruptedError

    with pytest.raises(InterruptedError):
        await _dispatcher(Dies(store._database), hook=hook).deliver_due(noon)
    store.outbox.release_claims()
    await _dispatcher(store.outbox, hook=hook).deliver_due(noon)
    assert [(name, body) for _, name, body, _ in hook.taken] == [(notice.id, notice.body.encode())] * 2


async def test_what_was_sent_but_not_marked_is_not_sent_again(store: Store, noon: datetime, say) -> None:
    """The disk is full at the moment of the mark. The dispatcher remembers, and marks when it can."""
    notice = say("chain")
    hook = Scripted()

    outbox = NoRoomForMarks(store._database)
    dispatcher = _dispatcher(outbox, hook=hook)
    with pytest.raises(StoreError, match="full"):
        await dispatcher.deliver_due(noon)
    outbox.full = False
    await dispatcher.deliver_due(noon + timedelta(hours=1))
    assert hook.tries_n == 1
    assert [row.state for row in store.outbox.of_notice(notice.id)] == ["done"]


async def test_full_disk_still_delivers_decided_notices_once(store: Store, noon: datetime, say) -> None:
    """Nothing can be written: neither claims nor marks. All of it still arrives, one after a retry."""
    notices = [say(f"{number}", trip_id="") for number in range(20)]
    hook = Scripted(DeliveryError("hook", "answered 500"))

    class ReadOnly(NoRoomForMarks):
        def claim_many(self, *args: object) -> dict:
            if self.full:
                raise StoreError("disk is full")
            return super().claim_many(*args)

        def mark_retry(self, *args: object) -> None:
            raise StoreError("disk is full")

        wake = mark_parked = mark_expired = mark_retry

    outbox = ReadOnly(store._database)
    dispatcher = _dispatcher(outbox, hook=hook)
    for second in (0, 1, 10, 20):
        with pytest.raises(StoreError, match="full"):
            await dispatcher.deliver_due(noon + timedelta(seconds=second))
    outbox.full = False
    outbox.make_due_now = lambda *args: 0
    assert (await dispatcher.deliver_due(noon + timedelta(hours=1))).done_n == 0
    assert sorted(hook.texts) == sorted(notice.text for notice in notices)
    assert hook.tries_n == 21
    assert store.outbox.health(noon).done_n == 20


async def test_a_failure_is_tried_again_later_and_its_reason_kept(store: Store, noon: datetime, say) -> None:
    notice = say("chain")
    hook = Scripted(DeliveryError("hook", "answered 500"))
    dispatcher = _dispatcher(store.outbox, hook=hook)
    assert (await dispatcher.deliver_due(noon)).retried_n == 1
    [row] = store.outbox.of_notice(notice.id)
    assert (row.state, row.note) == ("waiting", "hook: answered 500")
    assert timedelta(seconds=4) <= row.next_try - noon <= timedelta(seconds=7)
    assert (await dispatcher.deliver_due(noon + timedelta(seconds=2))).done_n == 0
    assert (await dispatcher.deliver_due(noon + timedelta(seconds=8))).done_n == 1


async def test_an_expired_notice_is_not_sent_but_told_of(store: Store, noon: datetime, say) -> None:
    notice = say("chain", life_h=1)
    hook = Scripted()
    done = await _dispatcher(store.outbox, hook=hook).deliver_due(noon + timedelta(hours=1))
    assert (done.expired_n, hook.tries_n) == (1, 0)
    assert _texts(done.alarms) == [f"notice {notice.id} to hook was never delivered: expired before try 1"]
    assert [row.state for row in store.outbox.of_notice(notice.id)] == ["expired"]


async def test_one_bad_row_does_not_stop_the_others(store: Store, noon: datetime, say) -> None:
    say("bad", trip_id="")
    say("good", trip_id="")
    hook = Scripted(ZeroDivisionError("ours"))
    done = await _dispatcher(store.outbox, hook=hook).deliver_due(noon)
    assert (done.done_n, done.retried_n, hook.texts) == (1, 1, ["good"])


async def test_after_410_the_target_is_left_alone_until_a_person_acts(store: Store, noon: datetime, say) -> None:
    say("first")
    say("second")
    hook = Scripted(ChannelGone("hook", "answered 410"))
    dispatcher = _dispatcher(store.outbox, hook=hook)
    done = await dispatcher.deliver_due(noon)
    later = await dispatcher.deliver_due(noon + timedelta(minutes=1))
    assert (done.parked_n + later.parked_n, hook.tries_n) == (2, 1)
    assert all("410" in text for text in _texts((*done.alarms, *later.alarms)))
    assert [health.disabled for health in dispatcher.health()] == [True]
    assert store.channels.reopen("hook", noon)
    store.outbox.retry_now([row.id for row in store.outbox.list_dead_letters()], noon)
    assert (await dispatcher.deliver_due(noon + timedelta(minutes=2))).done_n == 2


async def test_a_target_that_is_not_configured_parks_its_notices(store: Store, noon: datetime, say) -> None:
    say("chain", to="removed")
    done = await _dispatcher(store.outbox, hook=Scripted()).deliver_due(noon)
    assert done.parked_n == 1
    assert "no such target is configured" in done.alarms[0].text


async def test_a_hanging_target_does_not_hold_up_the_others(store: Store, noon: datetime, say) -> None:
    say("to the slow", to="slow")
    say("to the quick", to="quick", trip_id="")
    hangs = asyncio.Event()

    class Slow(Scripted):
        async def send(self, outgoing: OutgoingNotice, now_epoch_s: float) -> None:
            await hangs.wait()
            await super().send(outgoing, now_epoch_s)

    slow, quick = Slow(), Scripted()
    dispatcher = _dispatcher(store.outbox, slow=slow, quick=quick)
    first = asyncio.create_task(dispatcher.deliver_due(noon))
    while not quick.taken:
        await asyncio.sleep(0.001)
    say("later to the quick", to="quick", trip_id="")
    for _ in range(100):  # the quick lane may still be writing down its first
        if len(quick.taken) == 2:
            break
        await dispatcher.deliver_due(noon)
    assert (quick.texts, slow.taken) == (["to the quick", "later to the quick"], [])
    hangs.set()
    await first
    assert slow.texts == ["to the slow"]


async def test_a_failing_target_gets_one_probe_and_then_all_that_waits(store: Store, noon: datetime, say) -> None:
    for number in range(30):
        say(f"{number}", trip_id="")
    hook = Scripted()
    hook.down = DeliveryError("hook", "ConnectError")
    dispatcher = _dispatcher(store.outbox, hook=hook)
    await dispatcher.deliver_due(noon)
    tries_n = hook.tries_n
    assert tries_n < 10
    await dispatcher.deliver_due(noon + timedelta(seconds=1))
    assert hook.tries_n == tries_n + 1
    hook.down = None
    done = await dispatcher.deliver_due(noon + timedelta(seconds=2))
    assert done.done_n == 30


async def test_a_pause_asked_for_holds_for_all_that_goes_to_the_target(store: Store, noon: datetime, say) -> None:
    say("first", trip_id="")
    hook = Scripted(DeliveryError("hook", "answered 429", retry_after_s=600.0))
    dispatcher = _dispatcher(store.outbox, hook=hook)
    await dispatcher.deliver_due(noon)
    say("second", trip_id="", at=noon + timedelta(minutes=5))
    await dispatcher.deliver_due(noon + timedelta(minutes=5))
    assert hook.tries_n == 1
    assert (await dispatcher.deliver_due(noon + timedelta(minutes=11))).done_n == 2


async def test_notice_refused_alone_is_parked_so_that_later_ones_pass(store: Store, noon: datetime, say) -> None:
    say("poison")
    hook = Scripted()
    hook.refuses = {"poison"}
    dispatcher = _dispatcher(store.outbox, hook=hook)
    alarms: list[Alarm] = []
    for minute in range(30):
        at = noon + timedelta(minutes=minute)
        if minute == 1:
            say("later news", at=at)
        say(f"other {minute}", trip_id="", at=at)
        alarms += (await dispatcher.deliver_due(at)).alarms
    assert "later news" in hook.texts
    assert any("while the target takes others" in text for text in _texts(alarms))


async def test_a_target_that_refuses_everything_parks_nothing(store: Store, noon: datetime, say) -> None:
    """A wrong secret for six hours: every notice arrives once it is put right."""
    for number in range(5):
        say(f"{number}", trip_id="")
    hook = Scripted()
    hook.down = NoticeRejected("hook", "answered 400")
    dispatcher = _dispatcher(store.outbox, hook=hook)
    alarms: list[Alarm] = []
    for minute in range(0, 360, 2):
        alarms += (await dispatcher.deliver_due(noon + timedelta(minutes=minute))).alarms
    hook.down = None
    for minute in range(360, 420, 2):
        await dispatcher.deliver_due(noon + timedelta(minutes=minute))
    assert sorted(hook.texts) == ["0", "1", "2", "3", "4"]
    assert len(alarms) == 1
    assert (alarms[0].kind, alarms[0].target) == ("failing", "hook")


@pytest.mark.parametrize("outage_h", [1, 8, 72])
async def test_after_an_outage_only_notices_still_of_use_arrive(
    store: Store, noon: datetime, say, outage_h: int
) -> None:
    """Notices of 12, 24 and 96 h on a held clock: within 10 min of the end of the outage all is there.

    What is still of use after a day of tries is parked.
    """
    for life_h in (12, 24, 96):
        say(f"{life_h} h", trip_id="", life_h=life_h)
    hook = Scripted()
    hook.down = DeliveryError("hook", "ConnectError")
    dispatcher = _dispatcher(store.outbox, hook=hook)
    back_min = outage_h * 60
    expired_n, most_tries = 0, 0
    for minute in (*range(0, back_min - 30, 30), *range(back_min - 30, back_min + 11)):
        hook.down = None if minute >= back_min else hook.down
        tries_before = hook.tries_n
        expired_n += (await dispatcher.deliver_due(noon + timedelta(minutes=minute))).expired_n
        most_tries = max(most_tries, hook.tries_n - tries_before)
    still_of_use = [f"{life_h} h" for life_h in (12, 24, 96) if life_h > outage_h]
    assert sorted(hook.texts) == (sorted(still_of_use) if outage_h < 24 else [])
    assert expired_n == 3 - len(still_of_use)
    assert len(store.outbox.list_dead_letters()) == (0 if outage_h < 24 else 1)
    assert most_tries <= 4


async def test_after_six_hours_down_notices_keep_each_trips_order(store: Store, noon: datetime, say) -> None:
    for number in range(5):
        store.put_trip(StoredTrip(id=f"t{number}", body="{}", created_at=noon))
    hook = Scripted()
    dispatcher = _dispatcher(store.outbox, hook=hook)
    for minute in range(371):
        at = noon + timedelta(minutes=minute)
        hook.down = DeliveryError("hook", "ConnectError") if minute < 360 else None
        if minute % 40 == 0 and minute < 360:
            for number in range(5):
                say(f"t{number} at {minute:03d}", trip_id=f"t{number}", at=at)
        await dispatcher.deliver_due(at)
    for number in range(5):
        of_trip = [text for text in hook.texts if text.startswith(f"t{number} ")]
        assert of_trip == [f"t{number} at {minute:03d}" for minute in range(0, 360, 40)]
    assert len(hook.texts) == 45


async def test_five_days_of_failures_disable_a_target_visibly(store: Store, noon: datetime, say) -> None:
    hook = Scripted()
    hook.down = DeliveryError("hook", "answered 401")
    dispatcher = _dispatcher(store.outbox, hook=hook)
    alarms: list[Alarm] = []
    for hour in range(5 * 24 + 3):
        at = noon + timedelta(hours=hour)
        say(f"{hour}", trip_id="", at=at, life_h=200)
        alarms += (await dispatcher.deliver_due(at)).alarms
        states = [state.state for state in store.channels.all()]
        assert hour > 119 or states == (["up"] if hour < 1 else ["failing"])
    assert states == ["disabled"]
    result = [alarm for alarm in alarms if alarm.kind in ("failing", "disabled")]
    assert [alarm.kind for alarm in result] == ["failing", "disabled"]
    assert "nothing but failures since 2026-01-05 12:00Z" in result[1].text
    tries_n = hook.tries_n
    say("later", trip_id="", at=at)
    await dispatcher.deliver_due(at + timedelta(minutes=1))
    assert hook.tries_n == tries_n


async def test_a_restart_knows_who_was_in_trouble_and_tells_it_once(store: Store, noon: datetime, say) -> None:
    hook = Scripted()
    hook.down = DeliveryError("hook", "answered 500")
    for number in range(3):
        say(f"{number}", trip_id="")
    first = await _dispatcher(store.outbox, hook=hook).deliver_due(noon)
    assert [alarm.kind for alarm in first.alarms] == ["failing"]
    store.outbox.release_claims()
    again = _dispatcher(store.outbox, hook=hook)
    second = await again.deliver_due(noon + timedelta(hours=1))
    assert second.alarms == ()
    assert timedelta(0) <= again.health()[0].failing_since - noon < timedelta(minutes=1)
    hook.down = None
    third = await again.deliver_due(noon + timedelta(hours=2))
    assert (third.done_n, third.recovered, store.channels.by_name()["hook"].state) == (3, ("hook",), "up")
    store.outbox.release_claims()
    gone_at = noon + timedelta(hours=3)
    store.channels.keep(ChannelState(target="hook", state="disabled", since=gone_at, why="hook: answered 410"))
    say("after", trip_id="")
    gone = await _dispatcher(store.outbox, hook=hook).deliver_due(noon + timedelta(hours=3))
    assert (gone.parked_n, gone.done_n) == (1, 0)


async def test_states_that_cannot_be_read_do_not_stop_deliveries(
    store: Store, noon: datetime, say, monkeypatch: pytest.MonkeyPatch
) -> None:
    def torn() -> dict[str, ChannelState]:
        raise StoreError("disk is failing")

    say("chain")
    hook = Scripted()
    monkeypatch.setattr(store.outbox, "channel_states", torn)
    with pytest.raises(StoreError, match="failing"):
        await _dispatcher(store.outbox, hook=hook).deliver_due(noon)
    assert hook.texts == ["chain"]


async def test_a_channel_state_is_written_with_the_mark(
    store: Store, noon: datetime, say, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of one attempt both are kept or neither."""

    def torn(*_: object) -> None:
        raise StoreError("cut off")

    (first, second) = (say(text, trip_id="") for text in ("one", "two"))
    down = [DeliveryError("hook", "answered 500"), None]
    with monkeypatch.context() as cut:
        cut.setattr(outbox_module, "keep_state", torn)
        with pytest.raises(StoreError, match="cut off"):
            await _dispatcher(store.outbox, hook=Scripted(*down)).deliver_due(noon)
    assert store.channels.all() == []
    rows = [row for one in (first, second) for row in store.outbox.of_notice(one.id)]
    assert [(row.state, row.note) for row in rows] == [("waiting", ""), ("waiting", "")]
    store.outbox.release_claims()
    await _dispatcher(store.outbox, hook=Scripted(DeliveryError("hook", "answered 500"))).deliver_due(noon)
    (row,) = store.channels.all()
    assert row.last_failure_at is not None
    await _dispatcher(store.outbox, hook=Scripted()).deliver_due(noon + timedelta(hours=1))
    (row,) = store.channels.all()
    assert (row.state, row.failures, row.why) == ("up", 0, "")
    assert row.last_success_at > row.last_failure_at


async def test_failures_are_counted_on_over_a_restart(store: Store, noon: datetime, say) -> None:
    say("one", trip_id="")
    for n in range(1, 4):
        at = noon + timedelta(hours=n)
        await _dispatcher(store.outbox, hook=Scripted(DeliveryError("hook", "answered 500"))).deliver_due(at)
        (row,) = store.channels.all()
        assert (row.failures, row.state) == (n, "failing" if n == 3 else "up")


async def test_a_dead_channel_stays_dead_after_everything_is_pruned(store: Store, noon: datetime, say) -> None:
    say("one", trip_id="")
    hook = Scripted(ChannelGone("hook", "answered 410"))
    await _dispatcher(store.outbox, hook=hook).deliver_due(noon)
    store.pruning.events(noon + timedelta(days=9999))
    say("two", trip_id="", at=noon + timedelta(days=3000))
    later = Scripted()
    await _dispatcher(store.outbox, hook=later).deliver_due(noon + timedelta(days=3000))
    assert later.tries_n == 0
    assert store.channels.by_name()["hook"].state == "disabled"


async def test_states_are_kept_in_the_order_of_attempts(store: Store, noon: datetime, say) -> None:
    """Three attempts fail side by side, and the store is slowest with the first of them."""

    waits_s = [0.1, 0.05, 0.0]

    class Slow(Outbox):
        def mark_retry(self, *args: object) -> None:
            time.sleep(waits_s.pop(0))
            super().mark_retry(*args)

    for number in range(3):
        say(f"{number}", trip_id="")
    hook = Scripted()
    hook.down = DeliveryError("hook", "answered 500")
    await _dispatcher(Slow(store._database), hook=hook).deliver_due(noon)
    (row,) = store.channels.all()
    assert (row.state, row.failures) == ("failing", 3)


async def test_a_notice_that_expires_in_a_suspended_run_stays(store: Store, noon: datetime, say) -> None:
    """Both are claimed; the machine is suspended during the first send, longer than the second is of use."""
    passed_s = [0.0]

    class Suspends(Scripted):
        async def send(self, outgoing: OutgoingNotice, now_epoch_s: float) -> None:
            await super().send(outgoing, now_epoch_s)
            passed_s[0] += 7200.0
            await asyncio.sleep(0)

    say("first", trip_id="")
    second = say("second", trip_id="", life_h=1)
    hook = Suspends()
    worker = DeliveryWorker(
        store.outbox, {"hook": hook}, owner="me", rng=np.random.default_rng(1), elapsed=lambda: passed_s[0]
    )
    done = await worker.deliver_due(noon)
    assert hook.texts == ["first"]
    assert (done.done_n, done.expired_n) == (1, 1)
    (row,) = store.outbox.of_notice(second.id)
    assert row.state == "expired"
    assert "expired before try" in row.note
