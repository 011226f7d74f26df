"""The watch on another machine: who hears of a silent daemon, when, and that nothing of it is relief."""

import json
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import jsonschema
import pytest

from alertd.delivery.channel import OutgoingNotice
from alertd.delivery.worker import DeliveryWorker
from alertd.errors import DeliveryError, InputError
from alertd.notices.model import Audience
from alertd.notices.policy import Policy
from alertd.notices.text import gsm7
from alertd.settings.model import Settings
from alertd.settings.watch import WatchSettings
from alertd.store.store import Store
from alertd.testing.clock import ManualClock
from alertd.testing.event_schema import strict_event_schema
from alertd.watch.beacon import Beacon, BeaconTrip, decode, encode, write_beacon
from alertd.watch.silence import silence_notices
from alertd.watch.watcher import Watcher

KEY = b"k" * 32
THREE = datetime(2027, 1, 14, 10, 0, tzinfo=UTC)  # 03:00 MST
MINUTE = timedelta(minutes=1)


def trip(id_: str, leaves_h: float, language: str = "en", hours: float = 9.0) -> BeaconTrip:
    leaves = THREE + timedelta(hours=leaves_h)
    return BeaconTrip(
        trip_id=id_,
        plan_id="plan_" + "0" * 32,
        driver=f"driver of {id_}",
        dispatcher="",
        language=language,
        lands=("US-MT", "US-ID"),
        zone="America/Denver",
        depart_at=leaves,
        until=leaves + timedelta(hours=hours),
    )


def beacon(at: datetime = THREE, *trips: BeaconTrip) -> Beacon:
    """As of a daemon that plans every 30 minutes, with ten minutes of grace."""
    return Beacon(
        fleet="Quillback Freight", zone="America/Denver", written_at=at, next_by=at + 40 * MINUTE, trips=trips
    )


@dataclass
class Phone:
    """A channel that keeps what it is sent; it fails the first `fails` times."""

    clock: ManualClock
    fails: int = 0
    got: list[tuple[datetime, str]] = field(default_factory=list)
    bodies: list[dict[str, object]] = field(default_factory=list)

    async def send(self, outgoing: OutgoingNotice, now_epoch_s: float) -> None:
        if self.fails:
            self.fails -= 1
            raise DeliveryError("phone", "no network")
        self.got.append((self.clock(), outgoing.text))
        self.bodies.append(json.loads(outgoing.body))


@dataclass
class Scene:
    clock: ManualClock
    file: Path
    office: Phone
    drivers: Phone
    make: Callable[[], Watcher]

    async def look_until(self, end: datetime, watcher: Watcher) -> None:
        while self.clock() < end:
            self.clock.advance(MINUTE)
            await watcher.look()


@pytest.fixture
def scene(make_settings: Callable[..., Settings], tmp_path: Path) -> Iterator[Scene]:
    clock, file = ManualClock(THREE), tmp_path / "beacon.json"
    office, drivers = Phone(clock), Phone(clock)
    watch = WatchSettings(file=file, key=KEY, folder=tmp_path / "watch")
    watch.folder.mkdir()
    settings = make_settings(
        watch=watch,
        notices=Policy(),
        targets={Audience.DISPATCHER: ("office",), Audience.DRIVER: ("drivers",), Audience.FLEET: ()},
    )
    with Store(watch.store) as store:

        def make() -> Watcher:
            ways = {"office": office, "drivers": drivers}
            worker = DeliveryWorker(store.outbox, ways, owner="watch", rng=random.Random(1))
            return Watcher(str(file), settings, store, worker, clock, ticks=lambda: clock().timestamp())

        yield Scene(clock, file, office, drivers, make)


async def test_office_and_drivers_hear_within_45_minutes(scene: Scene) -> None:
    """The daemon ends right after its cycle of 03:00; one driver leaves at 04:45, one is under way."""
    write_beacon(scene.file, beacon(THREE, trip("T-1", 1.75), trip("T-2", -3.0)), KEY)
    await scene.look_until(THREE + 45 * MINUTE, scene.make())
    assert [at for at, _ in scene.office.got] == [THREE + 41 * MINUTE]
    assert [at for at, _ in scene.drivers.got] == [THREE + 41 * MINUTE] * 2
    assert all("since 03:00 MST" in text for _, text in scene.drivers.got)
    assert all("ready to chain" in text and "signs" in text for _, text in scene.drivers.got)


async def test_a_daemon_that_writes_in_time_causes_no_message(scene: Scene) -> None:
    watcher = scene.make()
    for n in range(4):
        write_beacon(scene.file, beacon(THREE + 30 * n * MINUTE, trip("T-1", 1.75)), KEY)
        await scene.look_until(THREE + 30 * (n + 1) * MINUTE, watcher)
    assert scene.office.got == scene.drivers.got == []


async def test_later_drivers_sleep_until_quiet_hours_end(scene: Scene) -> None:
    """Quiet until 04:00; one leaves at 11:00, one tomorrow, one has arrived."""
    trips = trip("T-1", 8.0), trip("T-2", 26.0), trip("T-3", -12.0, hours=11.0)
    write_beacon(scene.file, beacon(THREE, *trips), KEY)
    await scene.look_until(THREE + 90 * MINUTE, scene.make())
    assert [at for at, _ in scene.drivers.got] == [THREE + 60 * MINUTE]


async def test_a_restart_of_the_watch_sends_nothing_twice(scene: Scene) -> None:
    write_beacon(scene.file, beacon(THREE, trip("T-1", 1.75)), KEY)
    await scene.look_until(THREE + 50 * MINUTE, scene.make())
    scene.file.unlink()  # the daemon's machine is gone; the watch kept the last beacon
    await scene.look_until(THREE + 70 * MINUTE, scene.make())
    assert len(scene.office.got) == len(scene.drivers.got) == 1


async def test_a_lost_machine_counts_as_silent(scene: Scene) -> None:
    write_beacon(scene.file, beacon(THREE, trip("T-1", 1.75)), KEY)
    watcher = scene.make()
    await watcher.look()
    scene.file.unlink()
    await scene.look_until(THREE + 45 * MINUTE, watcher)
    assert len(scene.drivers.got) == 1


async def test_office_is_reminded_every_six_hours(scene: Scene) -> None:
    write_beacon(scene.file, beacon(THREE), KEY)
    watcher = scene.make()
    await watcher.look()
    scene.clock.advance(timedelta(hours=6, minutes=41))
    await watcher.look()
    scene.clock.advance(timedelta(hours=6))
    await watcher.look()
    assert len(scene.office.got) == 2


async def test_words_of_return_are_no_relief(scene: Scene) -> None:
    write_beacon(scene.file, beacon(THREE, trip("T-1", 1.75)), KEY)
    watcher = scene.make()
    await scene.look_until(THREE + 60 * MINUTE, watcher)
    write_beacon(scene.file, beacon(THREE + 60 * MINUTE, trip("T-1", 1.75)), KEY)
    await scene.look_until(THREE + 62 * MINUTE, watcher)
    texts = [text for _, text in scene.drivers.got]
    assert len(texts) == 2
    assert "works again since 04:00 MST" in texts[1]
    assert "Stay ready to chain" in texts[1]
    assert not any(word in texts[1].lower() for word in ("clear", "no chains", "safe"))


async def test_a_slow_clock_of_the_watch_hides_no_silence(scene: Scene, make_settings: Callable[..., Settings]) -> None:
    """The wall clock of the watch stands still; its monotonic clock counts."""
    write_beacon(scene.file, beacon(THREE, trip("T-1", 1.75)), KEY)
    watcher = scene.make()
    at_s = [0.0]
    watcher._ticks = lambda: at_s[0]
    watcher._new_at_s = 0.0
    await watcher.look()
    at_s[0] = 41 * 60.0
    assert (await watcher.look()).silent


async def test_failing_channel_gets_the_warning_later(scene: Scene) -> None:
    scene.drivers.fails = 2
    write_beacon(scene.file, beacon(THREE, trip("T-1", 1.75)), KEY)
    await scene.look_until(THREE + 60 * MINUTE, scene.make())
    assert len(scene.drivers.got) == 1


async def test_bodies_follow_the_published_schema(scene: Scene) -> None:
    write_beacon(scene.file, beacon(THREE, trip("T-1", 1.75)), KEY)
    watcher = scene.make()
    await scene.look_until(THREE + 45 * MINUTE, watcher)
    write_beacon(scene.file, beacon(THREE + 60 * MINUTE), KEY)
    await watcher.look()
    schema = strict_event_schema()
    bodies = scene.office.bodies + scene.drivers.bodies
    assert len(bodies) == 4
    for body in bodies:
        jsonschema.Draft202012Validator(schema).validate(body)


@pytest.mark.parametrize("language", ["en", "es", "fr"])
def test_driver_texts_fit_two_segments(language: str, make_settings: Callable[..., Settings]) -> None:
    settings = make_settings()
    notices = silence_notices(
        beacon(THREE, trip("T-1", 1.75, language)),
        THREE + 40 * MINUTE,
        THREE + 41 * MINUTE,
        settings.notices,
        settings.languages.translators_for,
    )
    (text,) = [n.text for n in notices if n.audience is Audience.DRIVER]
    assert gsm7.segments(gsm7.to_gsm7(text)) <= 2
    assert ("NO WORD" in text) == (language == "en")


def test_only_the_right_secret_reads_a_beacon() -> None:
    content = json.dumps(encode(beacon(THREE, trip("T-1", 1.0)), KEY)).encode()
    assert decode(content, KEY, "x").trips[0].trip_id == "T-1"
    forged = content.replace(b"T-1", b"T-9")
    for bad, key in ((content, b"j" * 32), (forged, KEY), (b"[]", KEY), (b"{", KEY), (b'{"beacon": 1}', KEY)):
        with pytest.raises(InputError):
            decode(bad, key, "x")
