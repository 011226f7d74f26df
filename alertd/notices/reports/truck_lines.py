"""One line a truck: when, who, what to do first, where, chains short; and groups of these by pass and direction.

The morning brief and the board share them. A truck is in the group of the place of its first action.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import IntEnum
from typing import Final

from alertd.notices import surfaces
from alertd.notices.next_action import ActionKind, NextAction, next_action
from alertd.notices.text import phrases
from alertd.notices.triggers.scheduled import ChainStatus
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, Stretch, SurfaceStretch

_ANYWHERE: Final = "Elsewhere"
_CALM: Final = "No winter road expected"
_PART: Final = "Forecast missing in part"
_CARRY: Final = "Short of chains by a carry rule"
_ARRIVED: Final = "Arrived"


class Section(IntEnum):
    """The order of the groups."""

    ACT = 0  # chains, readiness for them, a hold, or ice
    WINTER = 1  # winter road, no chains expected
    CALM = 2
    ARRIVED = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class TruckLine:
    """One truck. at: when its first action is due. zone: IANA zone of the place, of both times. now: when it is read.

    do: the first action. odds: how likely chains are needed there, "" without a stretch. later: the gravest action that
    follows, if it is graver than the first. passes: the groups of its further stretches with chains.
    """

    trip_id: str
    driver: str
    rig: str
    advice: Advice
    section: Section
    group: str
    at: datetime
    leaves_at: datetime
    zone: str
    now: datetime
    do: str
    odds: str
    where: str
    later: str
    short_n: int
    has_left: bool
    passes: tuple[str, ...] = ()

    @property
    def when(self) -> str:
        """Local time of the first action with its zone."""
        return phrases.clock_on(self.at, self.zone, self.now)

    @property
    def leaves(self) -> str:
        """Departure by the same clock, without the zone."""
        return phrases.clock_on(self.leaves_at, self.zone, self.now).rsplit(" ", 1)[0]

    @property
    def what(self) -> str:
        """Action, odds and what follows, e.g. "chain 6 tires (6 in 10), then HOLD 16:22"."""
        odds = f" ({self.odds})" if self.odds else ""
        return f"{self.do}{odds}" + (f", {self.later}" if self.later else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Trucks whose first action is at one pass in one direction, by time."""

    name: str
    section: Section
    trucks: tuple[TruckLine, ...]

    @property
    def advice(self) -> Advice:
        """The gravest advice in it."""
        return max((t.advice for t in self.trucks), key=lambda a: a.rank)

    @property
    def short_n(self) -> int:
        """How many of the trucks are short of chains."""
        return sum(t.short_n > 0 for t in self.trucks)

    @property
    def counts(self) -> str:
        """E.g. "14 trucks: 1 hold, 13 chain, 3 short"."""
        trucks_n = len(self.trucks)
        names = [(sum(t.advice is a for t in self.trucks), a.value) for a in reversed(Advice)]
        parts = [f"{n} {name}" for n, name in names if n] if self.section is Section.ACT else []
        parts += [f"{self.short_n} short"] if self.short_n else []
        return f"{trucks_n} truck{'s' if trucks_n != 1 else ''}" + (f": {', '.join(parts)}" if parts else "")


def truck_line(plan: Plan, now_utc: datetime, step: NextAction | None = None) -> TruckLine:
    """Return the line of a plan. step: its next action where the reported chains are known."""
    worn = ChainStatus(on_at=plan.chains.since) if plan.chains is not None else ChainStatus()
    first = step or next_action(plan, worn, None, now_utc)
    at, zone, do, where = _first(plan, first)
    stretch = first.stretch
    section = _section(plan)
    return TruckLine(
        trip_id=plan.trip_id,
        driver=plan.driver,
        rig=plan.rig_name,
        advice=plan.advice,
        section=section,
        group=_group(plan, first, section),
        at=at,
        leaves_at=plan.depart_at,
        zone=zone,
        now=now_utc,
        do=do,
        odds=odds_words(stretch) if stretch is not None and first.step is not ActionKind.TAKE_OFF else "",
        where=where,
        later=_later(plan, first, zone),
        short_n=plan.singles_short,
        has_left=plan.depart_at <= now_utc,
        passes=_passes(plan, _group(plan, first, section), now_utc),
    )


def grouped(lines: Iterable[TruckLine]) -> tuple[Group, ...]:
    """Return the groups: actions first, gravest advice first, then the earliest action."""
    found: dict[tuple[Section, str], list[TruckLine]] = {}
    for line in lines:
        found.setdefault((line.section, line.group), []).append(line)
    groups = [
        Group(name=name, section=section, trucks=tuple(sorted(trucks, key=lambda t: (t.at, t.trip_id))))
        for (section, name), trucks in found.items()
    ]
    return tuple(sorted(groups, key=lambda g: (g.section, -g.advice.rank, g.trucks[0].at, g.name)))


def place_group(s: Stretch | SurfaceStretch) -> str:
    """Return pass and direction, e.g. "Lookout Pass WB"; road, direction and land where no pass is near."""
    bound = f"{s.spot.direction}B" if s.spot is not None and s.spot.direction else ""
    lands = "/".join(code.partition("-")[2] or code for code in s.jurisdictions)
    name = s.place.split(", ")[0] or " ".join(filter(None, (s.spot.road if s.spot is not None else "", lands)))
    return " ".join(filter(None, (name or _ANYWHERE, bound)))


def odds_words(s: Stretch) -> str:
    """Return how likely chains are needed on a stretch: "6 in 10", "POSTED", or "road not known"."""
    if any(p.posted for p in s.postings):
        return "POSTED"
    if s.unknown_frac == 1.0:
        return "road not known"
    return f"{min(max(round(10.0 * s.probability), 1), 9)} in 10"


def _section(plan: Plan) -> Section:
    if plan.arrived_at is not None:
        return Section.ARRIVED
    if surfaces.asks(plan) or plan.partial or plan.singles_short:
        return Section.ACT
    return Section.WINTER if plan.advice is Advice.SLOW else Section.CALM


def _group(plan: Plan, first: NextAction, section: Section) -> str:
    if section is Section.ARRIVED:
        return _ARRIVED
    if section is Section.CALM:
        return _CALM
    if first.stretch is not None:
        return place_group(first.stretch)
    if first.surface is not None:
        return place_group(first.surface)
    held = plan.hold
    runs: tuple[Stretch | SurfaceStretch, ...] = (*plan.stretches, *plan.surfaces)
    for run in runs:
        if held is None or (run.start_m <= held.end_m and run.end_m >= held.start_m):
            return place_group(run)
    if plan.partial:
        return _PART
    return _CARRY if plan.singles_short else _ANYWHERE


def _why_slow(plan: Plan) -> str:
    if plan.bridges:
        return "bridges may be icy: slow down"
    return "wind or poor sight: slow down" if surfaces.is_wind_only(plan) else "winter road: slow down"


def _passes(plan: Plan, first: str, now_utc: datetime) -> tuple[str, ...]:
    ahead = (s for s in plan.stretches if s.leave_at > now_utc and s.advice.rank >= Advice.READY.rank)
    return tuple(name for name in dict.fromkeys(map(place_group, ahead)) if name != first)


def _first(plan: Plan, step: NextAction) -> tuple[datetime, str, str, str]:
    """Return when the first action is due, the zone there, the action, and the place."""
    held, s = plan.hold, step.stretch
    if plan.arrived_at is not None:
        return plan.arrived_at, plan.arrive_zone, "arrived", ""
    if held is not None and held.at_start:
        return plan.depart_at, plan.depart_zone, f"HOLD: do not start{_until(plan, plan.depart_zone)}", held.what
    if step.stop is not None:
        place = f"{step.stop.milepost}, {step.stop.name}" if step.stop.milepost else step.stop.name
        hang = f"chain {s.hanging.singles_n} tires" if s is not None else "chain"
        do = {
            ActionKind.HANG: hang,
            ActionKind.HOLD: f"HOLD{_until(plan, step.stop.zone)}",
            ActionKind.READY: f"be ready: {hang}",
            ActionKind.TAKE_OFF: "chained: take off",
        }.get(step.step, "be ready to chain")
        return step.at, step.stop.zone, do, place
    if step.closure is not None:
        return step.at, step.closure.zone, f"HOLD{_until(plan, step.closure.zone)}", step.closure.what
    if step.surface is not None:
        run = step.surface
        do = f"{'ice' if run.icy else 'winter road'}: max {phrases.mph(run.speed_mps)}"
        return step.at, run.zone, do, surfaces.span(run)
    ahead = step.at == plan.depart_at
    zone = plan.depart_zone if ahead else plan.arrive_zone
    do = {
        ActionKind.HOLD: "HOLD",
        ActionKind.HANG: "plan to chain",
        ActionKind.READY: "be ready to chain",
        ActionKind.SLOW: _why_slow(plan),
    }.get(step.step, "leave" if ahead else "under way")
    return step.at, zone, do, ""


def _later(plan: Plan, first: NextAction, zone: str) -> str:
    """Return the gravest later action if it is graver than the first, which must not hide it; times as in the line."""
    held, by = plan.hold, first.at
    if held is not None and not held.at_start and first.step is not ActionKind.HOLD:
        return f"then HOLD {phrases.clock_on(held.wait.arrive_at, zone, by).rsplit(' ', 1)[0]}{_until(plan, zone)}"
    asked = first.stretch.advice.rank if first.stretch is not None else Advice.SLOW.rank
    later = [s for s in plan.stretches if s.advice.rank > asked and s.chain_up.arrive_at > first.at and not s.chained]
    if held is not None or not later:
        return ""
    s = max(later, key=lambda s: s.advice.rank)
    what = {Advice.READY: "be ready", Advice.CHAIN: f"chain {s.hanging.singles_n}"}.get(s.advice, "HOLD")
    return f"then {what} {phrases.clock_on(s.chain_up.arrive_at, zone, by).rsplit(' ', 1)[0]}"


def _until(plan: Plan, zone: str) -> str:
    if plan.hold is None:
        return ""
    if plan.hold.until is None:
        return ", no end known"
    return f" until {phrases.clock_on(plan.hold.until, zone, plan.depart_at).rsplit(' ', 1)[0]}"


def fair_shares(sizes: Sequence[int], room_n: int) -> list[int]:
    """Return how many lines of each group fit into a room, as evenly as their sizes allow."""
    shares = [0] * len(sizes)
    while room_n > 0 and any(n < size for n, size in zip(shares, sizes, strict=True)):
        for i, size in enumerate(sizes):
            if shares[i] < size and room_n > 0:
                shares[i] += 1
                room_n -= 1
    return shares
