"""The content of the morning brief: a summary that fits a page for forty trucks, then exceptions, then details.

Text and page have the same content. The summary never hides a truck that is held, short of chains or not planned.
"""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from alertd.i18n import odds
from alertd.notices import headline, surfaces
from alertd.notices.checklists.loading import Loaded, missing_words
from alertd.notices.reports.brief_changes import BriefState, change_lines
from alertd.notices.reports.brief_lanes import lane_lines
from alertd.notices.reports.truck_lines import Group, Section, TruckLine, fair_shares, grouped, truck_line
from alertd.notices.text import phrases, place_text
from alertd.notices.text.departures import best_departure_line
from alertd.notices.text.dispatcher import arrival_line
from alertd.notices.text.law_text import law_change_lines, other_duties
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, Stretch
from alertd.road.road_class import DRIVERS_WORDS

# Three printed pages hold about 170 lines; these parts together with their titles stay below.
SUMMARY_N: Final = 44  # trucks with a line of their own in the summary
NAMED_N: Final = 120  # trips of a group without an action that the summary names
TO_DO_N: Final = 30  # lines of what to do before departure
LISTED_N: Final = 8  # lines of one kind of change or exception
DETAILED_N: Final = 40  # trips with details
DETAILED_LARGE_N: Final = 24  # the same where a full list follows, which bounds the page's size
_BELOW: Final = "all listed below"
LATE_S: Final = 1800.0  # [A] a smaller delay of a delivery is no exception
# [A] An office can still move a departure: nobody is called out in less, and a later one is another day's work.
NOTICE, SHIFT = timedelta(hours=1), timedelta(hours=6)


@dataclass(frozen=True, slots=True, kw_only=True)
class BriefInput:
    """not_planned: (trip id, reason): a trip without a plan is always named. upheld: by trip id, earlier orders that
    newer, incomplete data do not lower. before: the last brief, None for the first one.
    loaded: by trip id, what drivers reported of their loading list."""

    fleet: str
    plans: Sequence[Plan]
    not_planned: Sequence[tuple[str, str]]
    now: datetime
    zone: str
    upheld: Mapping[str, Sequence[str]] = field(default_factory=dict)
    before: BriefState | None = None
    loaded: Mapping[str, Loaded] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """Lines under a title. more: how many further ones are left out, and where they are; "" for none."""

    title: str
    lines: tuple[str, ...]
    more: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupShown:
    """A group with the trucks that the summary names, by time."""

    group: Group
    shown: tuple[TruckLine, ...]

    @property
    def more_n(self) -> int:
        """How many trucks of it the summary does not name."""
        return len(self.group.trucks) - len(self.shown)


@dataclass(frozen=True, slots=True, kw_only=True)
class Detail:
    """One trip in full: its line, then what is to be known of it."""

    line: TruckLine
    texts: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Brief:
    """All parts in their order. lines: of every planned trip. groups: with an action or a winter road; rest: others.
    passing: further passes of these trucks, with how many come there."""

    fleet: str
    when: str
    total: str
    ages: str
    changed: Listed | None
    before_departure: tuple[Listed, ...]
    groups: tuple[GroupShown, ...]
    passing: str
    rest: tuple[Group, ...]
    exceptions: tuple[Listed, ...]
    details: tuple[Detail, ...]
    details_more_n: int
    behind: tuple[Listed, ...]
    lines: tuple[TruckLine, ...]
    not_planned: tuple[tuple[str, str], ...]

    @property
    def left_out(self) -> bool:
        """Whether the summary leaves trucks out, so that a full list follows."""
        return (
            any(g.more_n for g in self.groups)
            or len(self.not_planned) > TO_DO_N
            or any(len(g.trucks) > NAMED_N for g in self.rest)
        )


def compile_brief(given: BriefInput) -> Brief:
    """Return the brief."""
    plans = {p.trip_id: p for p in given.plans}
    lines = [truck_line(p, given.now) for p in given.plans]
    groups = grouped(lines)
    order = [t for g in groups if g.section in (Section.ACT, Section.WINTER) for t in g.trucks]
    detailed_n = DETAILED_N if len(order) <= SUMMARY_N else DETAILED_LARGE_N
    return Brief(
        fleet=given.fleet,
        when=phrases.day_clock(given.now, given.zone),
        total=_total(lines, given.not_planned),
        ages=_oldest(given.plans) if given.plans else "No forecast and no rule text: no trip is planned.",
        changed=_changed(given, lines),
        before_departure=_before_departure(given, order, plans),
        groups=_shown(groups),
        passing=_passing(order),
        rest=tuple(g for g in groups if g.section > Section.WINTER),
        exceptions=_exceptions(given, [t for g in groups for t in g.trucks], plans),
        details=tuple(Detail(line=t, texts=tuple(_detail(plans[t.trip_id]))) for t in order[:detailed_n]),
        details_more_n=max(0, len(order) - detailed_n),
        behind=_behind(given),
        lines=tuple(t for g in groups for t in g.trucks),
        not_planned=tuple(given.not_planned),
    )


def capped(title: str, lines: Sequence[str], most: int = LISTED_N, rest: str = "on the board") -> Listed | None:
    """Return lines under a title, at most `most`; None without any. rest: where the others are."""
    if not lines:
        return None
    more_n = len(lines) - most
    return Listed(title=title, lines=tuple(lines[:most]), more=f"and {more_n} more, {rest}" if more_n > 0 else "")


def _total(lines: Sequence[TruckLine], not_planned: Sequence[tuple[str, str]]) -> str:
    under_way = [x for x in lines if x.section is not Section.ARRIVED]
    counts = [(sum(x.advice is a for x in under_way), a.value) for a in reversed(Advice)]
    counts.append((len(lines) - len(under_way), "arrived"))
    words = ", ".join(f"{n} {name}" for n, name in counts if n) or "none planned"
    short_n, trips_n = sum(x.short_n > 0 for x in under_way), len(lines) + len(not_planned)
    parts = [f"{trips_n} trip{'s' if trips_n != 1 else ''}: {words}"]
    parts += [f"{short_n} SHORT OF CHAINS"] if short_n else []
    parts += [f"{len(not_planned)} NOT PLANNED"] if not_planned else []
    return ", ".join(parts)


def _changed(given: BriefInput, lines: Sequence[TruckLine]) -> Listed | None:
    if given.before is None:
        return None
    title = f"Changed since the brief of {phrases.day_clock(given.before.made_at, given.zone)}"
    return capped(title, change_lines(given.before, lines) or ["nothing that asks for another action"])


def _before_departure(given: BriefInput, order: Sequence[TruckLine], plans: Mapping[str, Plan]) -> tuple[Listed, ...]:
    """What the office does before trucks leave: plan what is not planned, load chains, hold trucks back."""
    yard = [t for t in order if not t.has_left]
    short = [(t, plans[t.trip_id]) for t in sorted(yard, key=lambda t: t.leaves_at) if t.short_n]
    load = [
        f"by {phrases.clock_on(p.depart_at, p.depart_zone, given.now)}: {_who(t)}: load {_load(p)}" for t, p in short
    ]
    of = ((t, given.loaded.get(t.trip_id)) for t in yard)
    gear = [f"{_who(t)}: {missing_words(x.missing)}" for t, x in of if x is not None and x.missing]
    held = [f"{_who(t)}: {t.do}. {t.where}" for t in yard if (h := plans[t.trip_id].hold) is not None and h.at_start]
    listed = (
        capped(
            "Not planned: be ready to chain", [f"{trip}: {why}" for trip, why in given.not_planned], TO_DO_N, _BELOW
        ),
        capped("Before departure: load chains", load, TO_DO_N, "marked SHORT below"),
        capped("Before departure: gear that drivers miss", gear, TO_DO_N, _BELOW),
        capped("Before departure: keep at the yard", held, TO_DO_N, _BELOW),
    )
    return tuple(x for x in listed if x is not None)


def _shown(groups: Sequence[Group]) -> tuple[GroupShown, ...]:
    """The groups with the trucks that the summary names: short and held ones before others, in the order of time."""
    acting, winter = ([g for g in groups if g.section is x] for x in (Section.ACT, Section.WINTER))
    shares = fair_shares([len(g.trucks) for g in acting], SUMMARY_N)
    shares += fair_shares([len(g.trucks) for g in winter], SUMMARY_N - sum(shares))
    out = []
    for group, share in zip([*acting, *winter], shares, strict=True):
        grave = sorted(group.trucks, key=lambda t: (not t.short_n, -t.advice.rank, t.at))[:share]
        out.append(GroupShown(group=group, shown=tuple(t for t in group.trucks if t in grave)))
    return tuple(out)


def _passing(lines: Sequence[TruckLine]) -> str:
    counts = Counter(name for t in lines for name in t.passes)
    words = ", ".join(f"{name} {n}" for name, n in counts.most_common())
    return f"Chains may be needed again later on: {words}." if words else ""


def _exceptions(given: BriefInput, lines: Sequence[TruckLine], plans: Mapping[str, Plan]) -> tuple[Listed, ...]:
    def each(words: Callable[[Plan, TruckLine], str]) -> list[str]:
        found = ((t, words(plans[t.trip_id], t)) for t in lines if t.section is not Section.ARRIVED)
        return [f"{_who(t)}: {text}" for t, text in found if text]

    listed = (
        capped("Hold", each(lambda p, t: (p.hold and headline.hold_line(p.hold, p.made_at)) or "")),
        capped("Ploughed or not", lane_lines(given.plans)),
        capped("Short of chains, already under way", each(lambda p, t: _load(p) if t.short_n and t.has_left else "")),
        capped("Driving hours", each(_hours)),
        capped("Late by more than half an hour", _late(lines, plans)),
        capped("Worth leaving at another hour", each(lambda p, t: _other_hour(p, t, given.now))),
        capped("Changes of law on these roads", law_change_lines(list(plans.values()))),
        capped("Earlier orders that newer, incomplete data do not lower", _upheld(given, lines)),
        capped("Forecast old or missing in part: be ready to chain", each(lambda p, t: _missing(p))),
        capped("Not heard of", each(lambda p, t: _lost(p))),
    )
    return tuple(x for x in listed if x is not None)


def _held(p: Plan, _: TruckLine) -> str:
    return headline.hold_line(p.hold, p.made_at) if p.hold is not None else ""


def _who(t: TruckLine) -> str:
    return " ".join(filter(None, (t.trip_id, t.rig, t.driver)))


def _load(p: Plan) -> str:
    carried = f"{p.singles_carried}" + (f" and {p.doubles_carried} double" if p.doubles_carried else "")
    need = max([s.hanging.singles_n for s in p.stretches] + [c.singles_asked for c in p.carry if c.certain])
    return f"{p.singles_short} more single chains (needs {need}, has {carried})"


def _hours(p: Plan, _: TruckLine) -> str:
    if p.hours is None or (p.hours.ok and p.hours.ok_if_late):
        return ""
    return phrases.hours_line(p.hours, p.arrive_zone)


def _other_hour(p: Plan, t: TruckLine, now: datetime) -> str:
    """The best other departure of the next hours, with its conditions but without its reasons."""
    parts = best_departure_line(p, (now + NOTICE, p.depart_at + SHIFT)).split("; ")
    return "" if t.has_left else "; ".join([parts[0], *(x for x in parts[1:] if x.startswith("only"))])


def _late(lines: Sequence[TruckLine], plans: Mapping[str, Plan]) -> list[str]:
    """Delayed arrivals, the latest first; with and without chains where these are uncertain."""
    found: list[tuple[float, str]] = []
    for t in lines:
        p = plans[t.trip_id]
        if p.arrived_at is not None:
            continue
        due = headline.arrival(p)
        if p.hold is not None:
            late_s = (p.hold.not_before - p.arrive_unhindered).total_seconds() if p.hold.not_before else float("inf")
            found.append((late_s, f"{_who(t)}: arrives {due}"))
            continue
        chained_at = p.arrivals.chained_at if p.arrivals is not None else p.arrive_at
        late_s = (chained_at - p.arrive_unhindered).total_seconds()
        if late_s >= LATE_S:
            found.append((late_s, f"{_who(t)}: arrives {due}, up to {phrases.minutes(late_s)} late"))
    return [text for _, text in sorted(found, key=lambda x: -x[0])]


def _upheld(given: BriefInput, lines: Sequence[TruckLine]) -> list[str]:
    return [f"{_who(t)}: {text}" for t in lines for text in given.upheld.get(t.trip_id, ())]


def _missing(p: Plan) -> str:
    return phrases.forecast_age(p) if p.partial else ""


def _lost(p: Plan) -> str:
    return phrases.last_position(p) if p.position is not None and p.position.old else ""


def _detail(p: Plan) -> list[str]:
    """Everything else on a trip, one fact a line."""
    texts = list(dict.fromkeys((*headline.grave_lines(p), *(_stretch(s) for s in p.stretches))))
    if on := phrases.worn(p):
        texts.append(f"{on[0].upper()}{on[1:]}")
    if p.advice is Advice.READY and not p.stretches:
        texts.append(
            "Forecast missing or old for some of the road" if p.partial else "What is posted may be on this way"
        )
    texts += surfaces.ice_lines(p) if p.stretches else headline.road_lines(p)
    texts.append(arrival_line(p))
    if p.hours is not None:
        texts += [f"Break: {b}" for b in phrases.break_lines(p.hours, p.arrive_zone)]
    return texts


def _stretch(s: Stretch) -> str:
    """A stretch in one sentence: what, how sure, where on and off, tires, speed, cost, road."""
    what = {
        Advice.CHAIN: "stay chained" if s.chained else "plan to chain",
        Advice.READY: "be ready to chain",
        Advice.HOLD: f"HOLD below it, {phrases.why_held(s)}",
    }.get(s.advice, "watch")
    parts = [f"{place_text.where(s)}: {what}, {phrases.likely(s)}"]
    if until := phrases.held_until(s):
        parts.append(until)
    on = "chains are on" if s.chained else f"on {_stop(s, up=True)}"
    parts += [on, f"off {_stop(s, up=False)}", f"{s.hanging.singles_n} tires: {s.tires_words}"]
    parts.append(f"{phrases.mph(s.speed_mps)} on snow, {phrases.mph(s.bare_speed_mps)} on bare road")
    parts.append(f"{phrases.minutes(s.hang_s + s.remove_s + s.slow_s)} if chained")
    road = ", ".join(f"{DRIVERS_WORDS.get(name, name)} {odds(share)}" for name, share in s.surfaces[:2])
    parts += [x for x in (road, phrases.snow_depth(s), phrases.may_be_white(s)) if x]
    return "; ".join(parts)


def _stop(s: Stretch, *, up: bool) -> str:
    stop = s.chain_up if up else s.chain_off
    return f"{phrases.clock_time(stop.arrive_at, stop.zone)} {phrases.stop_words(stop)}"


def _other_duties(plans: Sequence[Plan]) -> list[str]:
    """One line for each duty, with the rigs that it is for."""
    rigs: dict[str, dict[str, None]] = {}
    for p in plans:
        for duty in other_duties(p):
            rigs.setdefault(duty, {})[p.rig_name] = None
    return [f"{duty} ({', '.join(names)})" for duty, names in rigs.items()]


def _behind(given: BriefInput) -> tuple[Listed, ...]:
    plans = given.plans
    listed = (
        capped("Other ways asked for", [f"{p.trip_id}: {p.route_choice}" for p in plans if p.route_choice], 40),
        capped("Carry rules on these roads, any weather", _carry(plans), 40),
        capped("Winter law besides chains", _other_duties(plans), 40),
        capped("Cautions", list(dict.fromkeys(c for p in plans for c in p.cautions)), 40),
        capped("How old", _ages(plans), 60),
    )
    return tuple(x for x in listed if x is not None)


def _carry(plans: Sequence[Plan]) -> list[str]:
    """One line per rule, with the number of trucks and the names of those that are short."""
    trucks: dict[str, list[Plan]] = {}
    for p in plans:
        for c in p.carry:
            if c.certain:
                trucks.setdefault(
                    f"{c.jurisdiction} asks {c.singles_asked} chains aboard ({c.practice or c.section})", []
                ).append(p)
    out = []
    for rule, asked in trucks.items():
        names = asked if len(asked) <= LISTED_N else [p for p in asked if any(c.singles_short for c in p.carry)]
        words = ", ".join(p.rig_name + (" SHORT" if _is_short(p, rule) else "") for p in names[:LISTED_N])
        count = f"{len(asked)} trucks" if len(asked) > LISTED_N else ""
        out.append(f"{rule}: {'; '.join(filter(None, (count, words)))}")
    return out


def _is_short(p: Plan, rule: str) -> bool:
    return any(c.singles_short and rule.startswith(c.jurisdiction) for c in p.carry)


def _ages(plans: Sequence[Plan]) -> list[str]:
    """Each source with its oldest age and owner; each rule text with why it may no longer be the law; places."""
    oldest: dict[str, tuple[float, bool]] = {}
    for s in (s for p in plans for s in p.sources):
        age_h, stale = oldest.get(s.licence, (0.0, False))
        oldest[s.licence] = (max(age_h, s.age_h), stale or s.stale)
    out = [
        f"Forecast, {who}: {phrases.age(age_h)} old{', TOO OLD' if stale else ''}"
        for who, (age_h, stale) in oldest.items()
    ]
    if any(not p.sources for p in plans):
        out.append("Forecast: NONE for some trips: be ready to chain")
    texts = {r.jurisdiction: r for p in plans for r in p.rules}
    out += [
        f"Rule text {code}: as of {r.as_of.isoformat()}{', OLD: ' + '; '.join(r.aged) if r.aged else ''}"
        for code, r in sorted(texts.items())
    ]
    return out + [f"Places: {credit}" for credit in dict.fromkeys(c for p in plans for c in p.credits)]


def _oldest(plans: Sequence[Plan]) -> str:
    oldest = max((s.age_h for p in plans for s in p.sources), default=None)
    texts = min((r.as_of for p in plans for r in p.rules), default=None)
    aged = ", may no longer be the law" if any(r.aged for p in plans for r in p.rules) else ""
    rules = f"oldest rules as of {texts.isoformat()}{aged}" if texts else "no rule text on file"
    return f"{'No forecast' if oldest is None else f'Oldest forecast {phrases.age(oldest)}'}; {rules}."
