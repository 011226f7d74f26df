"""Workers deliver for the leader: by its clock, on the channels that it gives, and no longer than they live."""

import asyncio
import importlib.util
import json
import random
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from alertd.daemon import sender
from alertd.daemon.sender import LeaderClock, SendingWorker
from alertd.daemon.sharing import DeliveryShare, fingerprint, take_back
from alertd.delivery.channels.console import SPEC as CONSOLE
from alertd.delivery.channels.webhook import SPEC as WEBHOOK
from alertd.delivery.worker import DeliveryWorker
from alertd.notices.model import Audience, Notice, NoticeKind, notice_id
from alertd.settings.model import Settings
from alertd.store.store import Store
from alertd.store.work.senders import LeaderTime
from alertd.testing.postgres import PostgresCluster

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"


class Elapsed:
    def __init__(self) -> None:
        self.at_s = 100.0

    def __call__(self) -> float:
        return self.at_s


@pytest.fixture
def elapsed() -> Elapsed:
    return Elapsed()


@pytest.fixture
def settings(make_settings: Callable[..., Settings]) -> Settings:
    hooks = [
        WEBHOOK.configure(
            secrets={"secret_file": SECRET},
            name=name,
            url="http://127.0.0.1:9/",
            secret_file="secret.txt",
            audiences=["fleet"],
            allow_networks=["127.0.0.0/8"],
        )
        for name in ("hook-0", "hook-1")
    ]
    screen = CONSOLE.configure(name="screen", audiences=["fleet"])
    targets = {Audience.FLEET: ("hook-0", "hook-1", "screen"), Audience.DISPATCHER: ("screen",), Audience.DRIVER: ()}
    return replace(make_settings(), channels=(*hooks, screen), targets=targets, takeover_s=15.0)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "alertd.sqlite") as opened:
        yield opened


@pytest.fixture
def shared_store(postgres: PostgresCluster) -> Iterator[Store]:
    with Store(postgres.new_store_url()) as opened:
        yield opened


def notice(n: int, noon: datetime, life: timedelta = timedelta(hours=1)) -> Notice:
    return Notice(
        id=notice_id(NoticeKind.BRIEF, Audience.FLEET, str(n)),
        kind=NoticeKind.BRIEF,
        audience=Audience.FLEET,
        trip_id="",
        plan_id="",
        created_at=noon,
        expires_at=noon + life,
        text=f"notice {n}",
        body=json.dumps({"n": n}),
    )


def test_leaders_time_goes_on_by_a_clock_that_nobody_sets(elapsed: Elapsed, morning: datetime) -> None:
    clock = LeaderClock(elapsed)

    def look(beat: int, at: datetime, settles: bool = True) -> None:
        clock.look(lambda: LeaderTime(beat=beat, now=at, settles=settles))

    look(7, morning)
    assert not clock.known  # nobody knows how old it is
    elapsed.at_s += 1.0
    look(7, morning)
    assert not clock.known
    elapsed.at_s += 1.0
    look(8, morning)
    assert clock.known
    assert clock.settles
    assert clock() == morning + timedelta(seconds=1)  # the later end of the second in which it was written
    elapsed.at_s += 20.0
    assert clock() == morning + timedelta(seconds=21)
    look(9, morning + timedelta(hours=5))  # too vague after 20 s
    assert clock() == morning + timedelta(seconds=21)
    elapsed.at_s += 11.0
    assert not clock.settles  # nothing new for half a minute
    look(10, morning + timedelta(hours=1))
    elapsed.at_s += 1.0
    look(11, morning + timedelta(hours=1), settles=False)
    assert clock() == morning + timedelta(hours=1, seconds=1)
    assert not clock.settles  # the leader doubts its clock


def test_leader_gives_channels_and_takes_those_of_the_dead(
    store: Store, settings: Settings, elapsed: Elapsed, morning: datetime, caplog: pytest.LogCaptureFixture
) -> None:
    share = DeliveryShare(store.senders, settings, lambda: (morning, True), elapsed)
    share.round()
    assert store.senders.leader_time() is None  # without workers nothing is written
    store.senders.join("w1", fingerprint(settings))
    store.senders.join("w2", fingerprint(settings))
    store.senders.join("stranger", "other settings")
    elapsed.at_s += 1.0
    share.round()
    assert sorted(store.senders.given().items()) == [("hook-0", "w1"), ("hook-1", "w2")]  # the screen is the leader's
    assert [r.getMessage().split()[1] for r in caplog.records if "delivers nothing" in r.getMessage()] == ["stranger"]
    for _ in range(15):
        elapsed.at_s += 1.0
        store.senders.renew("w2")
        share.round()
    assert store.senders.given() == {"hook-0": "w2", "hook-1": "w2"}
    assert not store.senders.renew("w1")


def test_a_leader_that_stood_still_counts_nobody_as_dead(
    store: Store, settings: Settings, elapsed: Elapsed, morning: datetime
) -> None:
    share = DeliveryShare(store.senders, settings, lambda: (morning, True), elapsed)
    store.senders.join("w1", fingerprint(settings))
    share.round()
    elapsed.at_s += 3600.0
    share.round()
    elapsed.at_s += 7.0
    share.round()
    assert set(store.senders.given().values()) == {"w1"}
    take_back(store)
    assert store.senders.given() == {}


def test_slow_rounds_still_find_the_dead(store: Store, settings: Settings, elapsed: Elapsed, morning: datetime) -> None:
    share = DeliveryShare(store.senders, settings, lambda: (morning, True), elapsed)
    store.senders.join("w1", fingerprint(settings))
    for _ in range(7):
        share.round()
        elapsed.at_s += 20.0
    assert store.senders.present() == []


@pytest.mark.parametrize("change", ["url", "secret", "fleet", "path of the secret"])
def test_fingerprint_differs_with_what_a_channel_sends(settings: Settings, change: str) -> None:
    """Only the path of a secret may differ between machines."""
    first = settings.channels[0]
    other = {
        "url": first.with_keys(url="http://127.0.0.1:8/"),
        "secret": replace(first, secrets={"secret_file": SECRET[:-1] + "x"}),
        "path of the secret": first.with_keys(secret_file="elsewhere.txt"),
    }.get(change, first)
    changed = replace(settings, channels=(other, *settings.channels[1:]))
    if change == "fleet":
        changed = replace(settings, fleet="another")
    assert (fingerprint(changed) == fingerprint(settings)) == (change == "path of the secret")
    assert SECRET not in fingerprint(settings)


class Counting:
    def __init__(self, got: list[str]) -> None:
        self._got = got

    async def send(self, outgoing: Any, now_epoch_s: float) -> None:
        self._got.append(outgoing.text)


async def test_worker_sends_on_its_channels_and_gives_them_back(
    shared_store: Store, settings: Settings, morning: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sender, "POLL_EVERY_S", 0.01)
    store = shared_store
    by_worker: list[str] = []
    by_leader: list[str] = []
    offers = fingerprint(settings)
    began_s = time.monotonic()

    def clock() -> datetime:
        return morning + timedelta(seconds=time.monotonic() - began_s)

    share = DeliveryShare(store.senders, settings, lambda: (clock(), True))
    hooks = ("hook-0", "hook-1")
    worker = SendingWorker(store, settings, {h: Counting(by_worker) for h in hooks}, offers, LeaderClock())
    leader = DeliveryWorker(
        store.outbox, {h: Counting(by_leader) for h in (*hooks, "screen")}, owner="leader", rng=random.Random(1)
    )
    store.record_notices([notice(1, morning)], {Audience.FLEET: [*hooks, "screen"]}, morning)
    store.record_notices([notice(2, morning, -timedelta(minutes=1))], {Audience.FLEET: ["hook-0"]}, morning)
    stop = asyncio.Event()
    running = asyncio.create_task(worker.run(stop))
    async with asyncio.timeout(20):
        while not store.senders.given():
            share.round()
            await asyncio.sleep(0.01)
        while store.outbox.health(morning).waiting_n or len(by_leader) < 2:
            share.round()
            await leader.deliver_due(clock())
            await asyncio.sleep(0.01)
    assert by_worker == ["notice 1"] * 2
    assert by_leader[0] == "notice 1"
    assert [text[:36] for text in by_leader[1:]] == ["NOTICES DO NOT ARRIVE over hook-0. n"]  # the worker's alarm
    assert store.outbox.health(morning).expired_n == 1  # settled by the leader's clock, never sent
    stop.set()
    await running
    assert store.senders.present() == []
    assert store.outbox.own_channels(hooks) == set(hooks)


@pytest.mark.slow
def test_killed_workers_lose_nothing_and_keep_the_order(postgres: PostgresCluster) -> None:
    """Real processes of `alertd work --deliver`. Only what was in hand is sent once more, with the same bytes."""
    path = Path(__file__).parents[1] / "benchmarks" / "crash_workers.py"
    spec = importlib.util.spec_from_file_location("crash_workers", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["crash_workers"] = module
    spec.loader.exec_module(module)
    tally = module.run(3, 2, 1, postgres.new_store_url())
    assert tally["hit"] == 3
    assert tally["decided"] > tally["sent_by_leader"] > 0
    assert [tally[key] for key in ("lost", "same_id_other_bytes", "out_of_order", "refused_signatures")] == [0] * 4
