"""The invariants of a simulated night: each raises Violation where a promise of the daemon does not hold."""

import json
from collections import Counter
from datetime import datetime, timedelta
from typing import Any, Final

from sim_store import Violation
from sim_world import BEGINS, World

from alertd.notices.model import Audience, NoticeKind
from alertd.notices.policy import Policy
from alertd.store.schema import deliveries, due, notices, plans
from alertd.store.store import Store

MOST_NOTICES: Final = 400  # of one night; a loop would exceed it
MOST_BYTES: Final = 20_000_000
MOST_ATTEMPTS: Final = 150  # of one delivery
CLOCK_SLACK: Final = timedelta(minutes=5)  # the guarded clock follows a step of up to two minutes
LASTS: Final = Policy().ease_alone_after  # the simulated plans have one source
BLIND: Final = "wrong clock and no server to show it"  # then times of that daemon are wrong, and it cannot know
SETTLED: Final = ("done", "parked", "expired", "superseded")


def check_decided(world: World, store: Store) -> None:
    """Nothing decided is lost or changed; relief has no doubt and has lasted; the store stays small.

    Without a write since the last check nothing is read: the store is the same.
    """
    if world.checked_n == world.writes_n:
        return
    world.checked_n = world.writes_n
    with store._database.read() as connection:
        rows = {row.id: row for row in connection.execute(notices.select())}
        sent = list(connection.execute(deliveries.select()))
        recorded = set(connection.execute(plans.select().with_only_columns(plans.c.id)).scalars())
    for row in rows.values():
        if row.id not in world.decided:
            world.decided[row.id] = row.body
            _check_new(world, row, rows, recorded)
        elif world.decided[row.id] != row.body:
            raise Violation(f"notice {row.id} changed its bytes in the store")
    if lost := world.decided.keys() - rows.keys():  # no night is as long as the days that notices are kept
        raise Violation(f"decided notices are gone: {sorted(lost)}")
    # A notice to the office that is not sent alone comes in the next digest, or in a brief.
    bare = rows.keys() - {row.notice_id for row in sent}
    if bare := {i for i in bare if rows[i].audience != Audience.DISPATCHER.value}:
        raise Violation(f"decided notices have no delivery: {sorted(bare)}")
    for one in sent:
        if not world.fired[BLIND] and one.state == "expired" and one.expires_at > world.machine.real + CLOCK_SLACK:
            raise Violation(f"{one.notice_id} is expired {one.expires_at - world.machine.real} too early")
        if one.attempts > MOST_ATTEMPTS:
            raise Violation(f"{one.notice_id} was tried {one.attempts} times")
    nights_n = max(1.0, (world.machine.real - BEGINS) / timedelta(days=2)) * len(world.departs) / 2
    if len(rows) > MOST_NOTICES * nights_n or len(recorded) > 2 * MOST_NOTICES * nights_n:
        raise Violation(f"{len(rows)} notices and {len(recorded)} plans in one night")
    if (size := sum(path.stat().st_size for path in world.folder.iterdir() if path.is_file())) > MOST_BYTES:
        raise Violation(f"the store has {size} bytes")


def _check_new(world: World, row: Any, rows: dict[str, Any], recorded: set[str]) -> None:
    made = world.plans.get(row.plan_id or "")
    if row.kind == NoticeKind.EASED.value and made is not None:
        if made.partial:
            raise Violation(f"notice {row.id} eases on a partial plan")
        if made.clock_problem:
            raise Violation(f"notice {row.id} eases while {made.clock_problem}")
        if not world.fired[BLIND]:
            _check_lasted(world, row, recorded)
    twins = [
        other
        for other in rows.values()
        if other.id != row.id
        and (other.audience, other.trip_id, other.kind, other.text) == (row.audience, row.trip_id, row.kind, row.text)
        and (other.plan_id, other.created_at) != (None, row.created_at)
        and abs(_decided_at(world, other) - _decided_at(world, row)) < timedelta(minutes=20)
    ]
    if twins and row.audience == Audience.DRIVER.value:
        raise Violation(f"the driver gets the words of {row.id} twice: {row.text[:80]}")


def _decided_at(world: World, row: Any) -> datetime:
    """When a notice was really decided, where its plan tells: a wrong clock may give two of them the same time."""
    made = world.plans.get(row.plan_id or "")
    at: datetime = row.created_at if made is None else made.at
    return at


def _check_lasted(world: World, row: Any, recorded: set[str]) -> None:
    """Some pass must have been milder in every plan of the last two hours than it was before, without a partial one."""
    made = world.plans[row.plan_id]
    of_trip = [p for id_, p in world.plans.items() if id_ in recorded and p.trip == made.trip and p.at <= made.at]
    window = [p for p in of_trip if p.at > made.at - LASTS + CLOCK_SLACK]
    before = [p for p in of_trip if p not in window]
    if any(p.partial for p in window):
        raise Violation(f"notice {row.id} eases within {LASTS} of a partial plan")
    if abs(row.created_at - made.at) > CLOCK_SLACK:
        raise Violation(f"notice {row.id} eases by a clock that is wrong by {row.created_at - made.at}")
    for at in range(len(made.ranks)):
        if max(p.ranks[at] for p in window) < max((p.ranks[at] for p in before), default=0):
            return
    raise Violation(f"notice {row.id} eases before it was milder for {LASTS}")


def check_receivers(world: World) -> None:
    """One content for one id, order of decision by trip, nothing after it expired, and no flood of repeats."""
    if world.broken:
        raise Violation(world.broken[0])
    for receiver in world.receivers.values():
        bytes_of: dict[str, bytes] = {}
        newest: dict[str, int] = {}
        times: Counter[str] = Counter()
        for delivery_id, notice_id, trip, body in receiver.got:
            times[notice_id] += 1
            if notice_id in bytes_of:
                if bytes_of[notice_id] != body:
                    raise Violation(f"{receiver.name} got {notice_id} with other bytes")
                continue
            bytes_of[notice_id] = body
            if trip and delivery_id < newest.get(trip, 0):
                raise Violation(f"{receiver.name} got {notice_id} of {trip} after a later one")
            newest[trip] = delivery_id
        repeats = sum(times.values()) - len(times)
        causes = sum(n for name, n in (world.fired + receiver.fired).items() if name in _REPEATING)
        if repeats > 4 * causes:  # four workers of a channel each may have one in hand
            raise Violation(f"{receiver.name} got {repeats} repeats, with {causes} causes for any")


_REPEATING: Final = {
    "receiver drips",
    "killed after a send",
    "killed before a commit",
    "killed after a commit",
    "leader frozen",
    "leader frozen in a send",
    "write of a former leader refused",
    "disk full",
    "disk read-only",
    "disk full after a send",
}


def check_end(world: World, store: Store) -> None:
    """After hours without faults: nothing waits, what is done arrived, and each morning has its brief or a reason."""
    with store._database.read() as connection:
        sent = list(connection.execute(deliveries.select()))
        rows = list(connection.execute(notices.select()))
        slots = list(connection.execute(due.select().where(due.c.kind == NoticeKind.BRIEF.value)))
    if waiting := [row.notice_id for row in sent if row.state not in SETTLED]:
        raise Violation(f"still waiting after hours without faults: {waiting}")
    told = {i for row in rows if row.kind == "digest" for i in json.loads(row.body)["data"]["notice_ids"]}
    briefs = [row for row in rows if row.kind == NoticeKind.BRIEF.value]
    carried = {one.notice_id for one in sent}
    for row in rows:
        reached = row.id in told or any(b.created_at >= row.created_at for b in briefs)
        if row.id not in carried and not reached:
            raise Violation(f"{row.id} ({row.kind}) is in no message, digest or brief")
    received = {receiver.name: {got[1] for got in receiver.got} for receiver in world.receivers.values()}
    for one in sent:
        if one.state == "done" and one.notice_id not in received[one.target]:
            raise Violation(f"{one.notice_id} is marked done and never reached {one.target}")
    _check_briefs(world, slots, briefs)


def _check_briefs(world: World, slots: list[Any], briefs: list[Any]) -> None:
    now = world.machine.real
    past = [slot for slot in slots if slot.due_at <= now - timedelta(hours=4)]
    if not briefs:
        raise Violation("no brief was sent by the end of the second morning")
    if len(dates := {slot.key for slot in past}) < _mornings(world, now):
        raise Violation(f"of {_mornings(world, now)} mornings only {sorted(dates)} are on record")
    for slot in past:
        day = slot.key.rpartition("/")[2]
        if slot.state != "settled":
            raise Violation(f"the brief of {day} was never settled")
        if slot.outcome.startswith("skipped"):
            world.fired["brief skipped"] += 1
            later = [b for b in briefs if b.created_at > slot.due_at]
            if later and not any(day in b.body for b in later):
                raise Violation(f"the brief of {day} is skipped and no later brief says why")
    if ahead := [slot.key for slot in slots if slot.due_at > now + timedelta(hours=1) and slot.state == "settled"]:
        raise Violation(f"briefs that are not due yet are settled: {ahead}")


def _mornings(world: World, now: datetime) -> int:
    """Briefs that came due during the night and whose grace is over."""
    from zoneinfo import ZoneInfo

    from alertd.local_time import local_to_utc

    zone = ZoneInfo(world.settings.brief_zone)
    days = [(BEGINS + timedelta(days=n)).astimezone(zone).date() for n in range(-1, (now - BEGINS).days + 3)]
    times = [local_to_utc(day, world.settings.brief_at, zone) for day in days]
    return sum(BEGINS < at <= now - timedelta(hours=4) for at in times)
