"""Values of the dispatcher's board: one row per trip by pass and next action, the map, and the state of the data."""

import hashlib
import json
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from typing import Any, Final

from alertd.delivery.health import ChannelHealth, channel_health
from alertd.errors import InputError
from alertd.notices import headline, surfaces
from alertd.notices.charts.fleet_map import NARROW_PX, WIDE_PX, fleet_map, legend
from alertd.notices.checklists.loading import office_line
from alertd.notices.model import Audience, Notice
from alertd.notices.next_action import ActionKind, NextAction, is_old, next_action
from alertd.notices.reports.truck_lines import Section, truck_line
from alertd.notices.text import phrases, place_text
from alertd.notices.text.departures import best_departure_line
from alertd.notices.triggers.escalation import confirmation_wait, gravest
from alertd.notices.upheld import upheld_words
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.planning.planner import Planner
from alertd.records.closures import active_closures
from alertd.records.driver_reports import RECENT, REPORTS
from alertd.records.event_stream import Recorded
from alertd.sources.files.trips import TripRequest, parse_trip
from alertd.sources.requests.driver_reports import (
    CHAINS_OFF,
    CHAINS_ON,
    HANGING_BEGUN,
    LOADED,
    READ,
    REMOVING_BEGUN,
    ReportRequest,
)
from alertd.store.store import Store
from alertd.units import HOUR_S
from alertd.web.pages.board_map import map_marks, on_map
from alertd.web.pages.driver_taps import ReportedChains, chains_of

_HERE: Final = "Arrived"
NOT_PLANNED: Final = "Not planned: be ready to chain"
LOADING_SOON_S: Final = 12.0 * HOUR_S  # [A] before that a driver has no reason to have loaded
FINISHED_AFTER: Final = timedelta(hours=24)  # time after departure until a trip without a plan is no longer listed
_WHAT: Final = {
    ActionKind.HANG: "chain up",
    ActionKind.HOLD: "hold",
    ActionKind.READY: "be ready to chain",
    ActionKind.SLOW: "slow down for",
    ActionKind.TAKE_OFF: "chained, off at",
    ActionKind.ARRIVED: "arrived, by the plan",
}
_ALSO: Final = {ActionKind.READY: ", be ready to chain", ActionKind.SLOW: ", winter road"}
_WORDS: Final = {
    Advice.CLEAR: "no chains expected",
    Advice.SLOW: "slow: winter road",
    Advice.READY: "be ready",
    Advice.CHAIN: "chain",
    Advice.HOLD: "hold",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One trip. `order`: unplanned trips first, then by `at`, then arrived trips. tone: CSS class of its color.

    group: pass and direction of its first action, as in the brief. section: of that group. attention: why a person
    looks at it first, "" for no reason. when: office time; there: local time of the place, when it differs. roads:
    winter road without chains, one line each.
    """

    order: int
    at: datetime
    trip_id: str
    who: str
    rig: str
    route: str
    tone: str
    letter: str
    advice: str
    when: str
    there: str
    what: str
    where: str
    then: tuple[str, ...]
    detail: str
    arrives: str
    slip: str
    short_n: int
    unread: str
    overdue: bool
    chains: str
    changed: str
    caution: str
    roads: tuple[str, ...] = ()
    group: str = ""
    section: Section = Section.ACT
    attention: str = ""

    @property
    def version(self) -> str:
        parts = "\x1f".join(str(getattr(self, f.name)) for f in fields(self))
        return hashlib.sha256(parts.encode()).hexdigest()[:12]

    @property
    def search_text(self) -> str:
        return " ".join((self.trip_id, self.who, self.rig, self.route, self.group, self.where, self.detail)).casefold()


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceAge:
    who: str
    age_h: float
    stale: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardGroup:
    """Rows whose first action is at one pass in one direction."""

    name: str
    section: Section
    rows: tuple[Row, ...]

    @property
    def counts(self) -> str:
        """E.g. "14 trucks: 1 hold, 13 chain, 3 short of chains"."""
        n = len(self.rows)
        names = [(_WORDS[a], sum(r.advice == _WORDS[a] for r in self.rows)) for a in reversed(Advice)]
        parts = [f"{k} {name}" for name, k in names if k] if self.section is Section.ACT else []
        short_n = sum(r.short_n > 0 for r in self.rows)
        parts += [f"{short_n} short of chains"] if short_n else []
        return f"{n} truck{'s' if n != 1 else ''}" + (f": {', '.join(parts)}" if parts else "")

    @property
    def tone(self) -> str:
        """CSS class of the gravest advice in it."""
        return max((r.tone for r in self.rows), key=lambda tone: Advice(tone).rank)


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """rows: by group, gravest first, and by time in a group. maps: the fleet's map, wide and narrow, "" without one."""

    rows: tuple[Row, ...]
    leaving: tuple[tuple[str, str], ...]  # (trip, its line)
    sources: tuple[SourceAge, ...]
    rules: str
    troubles: tuple[str, ...]
    channels: tuple[ChannelHealth, ...]
    planned_at: datetime | None
    maps: tuple[str, ...] = ()
    legend: tuple[tuple[str, str], ...] = ()

    @property
    def version(self) -> str:
        """Hash of everything visible that changes; ages alone do not count."""
        parts = [*(r.version for r in self.rows), *self.troubles, *(f"{t}{line}" for t, line in self.leaving)]
        parts += [f"{c.target}{c.disabled}{c.parked_n}{c.waiting_n > 0}" for c in self.channels]
        return hashlib.sha256("\x1f".join(parts).encode()).hexdigest()[:16]

    @property
    def counts(self) -> list[tuple[str, int]]:
        """(words, trips): by advice, most severe first, then trips that need a person."""
        by_advice = [(_WORDS[a], sum(r.advice == _WORDS[a] for r in self.rows)) for a in reversed(Advice)]
        more = [
            ("not planned", sum(r.order == 0 for r in self.rows)),
            ("short of chains", sum(r.short_n > 0 for r in self.rows)),
            ("not confirmed", sum(bool(r.unread) for r in self.rows)),
        ]
        return [(name, n) for name, n in (*by_advice, *more) if n]


def group_rows(rows: Sequence[Row]) -> tuple[BoardGroup, ...]:
    """Return the rows by group: actions first, gravest advice first, then the earliest action."""
    found: dict[tuple[Section, str], list[Row]] = defaultdict(list)
    for row in sorted(rows, key=lambda r: (r.order, r.at, r.trip_id)):
        found[row.section, row.group].append(row)
    groups = [BoardGroup(name=name, section=section, rows=tuple(of)) for (section, name), of in found.items()]
    return tuple(sorted(groups, key=lambda g: (g.section, g.rows[0].order, -Advice(g.tone).rank, g.rows[0].at, g.name)))


def make_board(planner: Planner, store: Store, now_utc: datetime) -> Board:
    """The current board. Raises StoreError."""
    shown = planner.latest
    sent: dict[str, list[Notice]] = defaultdict(list)
    for notice in store.notices_since(Audience.DRIVER, now_utc - RECENT):
        sent[notice.trip_id].append(notice)
    reports = _reports(store, now_utc)
    rows, plans, fleet = [], [], []
    for stored in store.trips():
        try:
            trip = parse_trip(json.loads(stored.body), f"trip {stored.id}")
        except InputError:  # stored by another version; a cycle reports it
            continue
        left = now_utc - trip.depart_at
        if left < -timedelta(hours=planner.settings.look_ahead_h):
            continue
        plan = shown.plans.get(trip.id)
        if plan is None:
            if left > FINISHED_AFTER:
                continue
            plan = shown.plan(store, trip.id)
        chains = chains_of(reports[trip.id], now_utc)
        missed = shown.missed.get(trip.id, "" if plan is not None else "not planned yet")
        rows.append(_row(trip, plan, missed, sent[trip.id], chains, planner, now_utc))
        if plan is not None:
            plans.append(plan)
            route = planner.known_route(trip.route)
            if route is not None and plan.along.distance_m:
                fleet.append(on_map(plan, route, now_utc))
    marks = map_marks(fleet, active_closures(store, now_utc))
    leaving = [(p.trip_id, best_departure_line(p)) for p in plans if p.depart_at > now_utc and not is_old(p, now_utc)]
    health = channel_health(
        planner.settings.channel_names, store.outbox.counts_by_channel(), (), store.channels.by_name(), now_utc
    )
    return Board(
        rows=tuple(r for g in group_rows(rows) for r in g.rows),
        leaving=tuple((trip, line) for trip, line in leaving if line),
        sources=_sources(plans, planner.settings.forecast.stale_h, now_utc),
        rules=_rules(plans),
        troubles=tuple(f"{name}: {why}" for name, why in shown.unread),
        channels=health,
        planned_at=shown.taken_at,
        maps=tuple(fleet_map(fleet, marks, planner.reference.boundaries, px) for px in (WIDE_PX, NARROW_PX))
        if fleet
        else (),
        legend=tuple(legend(fleet)),
    )


def _row(
    trip: TripRequest, plan: Plan | None, missed: str, sent: Sequence[Notice], chains: ReportedChains, planner: Planner,
    now_utc: datetime,
) -> Row:  # fmt: skip
    shown, zone = planner.latest, planner.settings.brief_zone
    change, state = shown.changes.get(trip.id), ""
    if chains.status.on_at is not None or chains.off_at is not None:
        on, off = chains.status.on_at, chains.off_at
        state = (
            f"on since {phrases.clock_time(on, zone)}"
            if on
            else f"off since {phrases.clock_time(off, zone)}"
            if off
            else ""
        )
    if chains.hanging_at is not None:
        state = f"being hung since {phrases.clock_time(chains.hanging_at, zone)}"
    elif chains.removing_at is not None:
        state = f"being taken off since {phrases.clock_time(chains.removing_at, zone)}"
    common: dict[str, Any] = {
        "trip_id": trip.id,
        "who": trip.driver or "no driver named",
        "chains": state,
        "changed": f"{phrases.clock_time(change.at, zone)}: {'; '.join(change.lines)}" if change else "",
    }
    if plan is None:
        return Row(
            order=0, at=trip.depart_at, rig=trip.rig, route=trip.route, tone="ready", letter="?", advice="be ready",
            when=phrases.clock_on(trip.depart_at, zone, now_utc), there="", what="leaves", where="", then=(),
            detail=missed, arrives="", slip="", short_n=0, unread="", overdue=False,
            caution="No plan: be ready to chain.", roads=(), group=NOT_PLANNED, attention="not planned", **common,
        )  # fmt: skip
    step = next_action(plan, chains.status, chains.off_at, now_utc)
    old = missed or ("not planned again for over 2 h" if is_old(plan, now_utc) else "")
    advice = max(plan.advice, Advice.READY if old or plan.partial else Advice.CLEAR, key=lambda a: a.rank)
    tone = advice.value if step.step is not ActionKind.ARRIVED else "clear"
    what, where, here = _next_action_values(plan, step, now_utc)
    when, there = (phrases.clock_on(step.at, z, now_utc) for z in (zone, here))
    odds = [f"{place_text.name(s) or phrases.miles(s.start_m)} {phrases.likely(s)}" for s in plan.stretches]
    if step.stretch is not None and step.step is not ActionKind.TAKE_OFF:
        odds.insert(0, f"{step.stretch.hanging.singles_n} tires")
    lost = plan.position is not None and plan.position.old
    cautions = [
        lost and f"{phrases.last_position(plan).capitalize()}.",
        old and f"Old plan ({old}): be ready to chain.",
        plan.partial and "Forecast old or missing in part.",
        (gear := office_line(plan, chains.loaded, zone, now_utc, LOADING_SOON_S)) and f"{gear[:1].upper()}{gear[1:]}.",
        *(upheld_words(row, plan, now_utc) for row in shown.upheld(plan)),
    ]
    unread, overdue = _unread(plan, sent, chains, planner, now_utc)
    line = truck_line(plan, now_utc, step)
    reasons = (
        missed and "not planned", tone == "hold" and "hold",
        plan.singles_short and f"{plan.singles_short} chains short", old and "old plan",
        overdue and "not confirmed", lost and "not heard of",
    )  # fmt: skip
    section = Section.ACT if missed or old else line.section
    if step.step is ActionKind.ARRIVED:
        section = Section.ARRIVED
    return Row(
        order=0 if missed else 2 if step.step is ActionKind.ARRIVED else 1,
        at=step.at,
        rig=plan.rig_name,
        route=plan.route_name,
        tone=tone,
        letter={"hold": "H", "chain": "C", "ready": "R", "slow": "S"}.get(tone, "–"),
        advice=_WORDS[advice],
        when=when,
        there="" if there == when else f"{there} there",
        what=what,
        where=where,
        then=step.then,
        roads=(*headline.grave_lines(plan), *headline.road_lines(plan)[:1]),
        detail=" · ".join(odds),
        arrives=headline.arrival(plan)
        if plan.arrived_at is None
        else phrases.clock_time(plan.arrived_at, plan.arrive_zone),
        slip=f"{phrases.minutes(plan.cost_s)} later" if plan.cost_s >= 300 and not (plan.arrivals or plan.hold) else "",
        short_n=plan.singles_short,
        unread=unread,
        overdue=overdue,
        caution=" ".join(c for c in cautions if c),
        group=NOT_PLANNED if missed else _HERE if section is Section.ARRIVED else line.group,
        section=Section.ACT
        if missed or old
        else Section.ARRIVED
        if tone == "clear" and step.step is ActionKind.ARRIVED
        else line.section,
        attention="" if step.step is ActionKind.ARRIVED else next((r for r in reasons if r), ""),
        **common,
    )


def _next_action_values(plan: Plan, step: NextAction, now_utc: datetime) -> tuple[str, str, str]:
    """Next action, its place, and the time zone there."""
    if plan.arrived_at is not None:
        return "arrived", "", plan.arrive_zone
    if step.stop is not None:
        return _WHAT[step.step], phrases.stop_words(step.stop), step.stop.zone
    if step.closure is not None:
        return _WHAT[step.step], step.closure.what, step.closure.zone
    if step.surface is not None:
        there = step.surface
        where = f"{there.surfaces[0][0]}, {surfaces.span(there)}, {surfaces.hours(there)}"
        return _WHAT[step.step], f"{where}, at most {phrases.mph(there.speed_mps)}", there.zone
    leaves = plan.depart_at > now_utc
    zone = plan.depart_zone if leaves else plan.arrive_zone
    if step.step is ActionKind.ARRIVED:
        return _WHAT[step.step], "", zone
    return ("leaves" if leaves else "arrives") + _ALSO.get(step.step, ""), "", zone


def _unread(
    plan: Plan, sent: Sequence[Notice], chains: ReportedChains, planner: Planner, now_utc: datetime
) -> tuple[str, bool]:
    """The most severe unconfirmed message, "" without one; and whether half of its time for confirmation has passed,
    when the driver is reminded."""
    policy, zone = planner.settings.notices, planner.settings.brief_zone
    last = gravest(plan, sent, chains.read_at, now_utc)
    if last is None:
        return "", False
    overdue = now_utc >= last.created_at + confirmation_wait(plan, last.created_at, policy) / 2
    return f"not confirmed, said {phrases.clock_time(last.created_at, zone)}", overdue


def _reports(store: Store, now_utc: datetime) -> dict[str, list[ReportRequest]]:
    out: dict[str, list[ReportRequest]] = defaultdict(list)
    found: list[Recorded[ReportRequest]] = []
    for kind in (READ, LOADED, HANGING_BEGUN, CHAINS_ON, REMOVING_BEGUN, CHAINS_OFF):
        stored = store.events_since(kind, now_utc - RECENT)
        # An unreadable report of another version is logged where the reports of its trip are loaded.
        found += REPORTS[kind].decode(stored, quiet=True)
    for event in sorted(found, key=lambda e: (e.at, e.id)):
        out[event.trip_id].append(event.value)
    return out


def _sources(plans: Sequence[Plan], stale_h: float, now_utc: datetime) -> tuple[SourceAge, ...]:
    """Each source at its oldest age in any plan, as of now."""
    out: dict[str, SourceAge] = {}
    for plan in plans:
        since_h = (now_utc - plan.made_at).total_seconds() / HOUR_S
        for s in plan.sources:
            known, age_h = out.get(s.licence), s.age_h + since_h
            stale = s.stale or age_h > stale_h or (known is not None and known.stale)
            out[s.licence] = SourceAge(who=s.licence, age_h=max(age_h, known.age_h if known else 0.0), stale=stale)
    return tuple(out.values())


def _rules(plans: Sequence[Plan]) -> str:
    texts = {r.jurisdiction: r for p in plans for r in p.rules}
    oldest_first = sorted(texts.values(), key=lambda r: r.as_of)
    return "; ".join(f"{r.name} as of {r.as_of}{' OLD' if r.aged else ''}" for r in oldest_first)
