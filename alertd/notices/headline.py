"""The headlines of a plan: a reason to wait, hours that are not legal, the worst of the road, wind and sight.

Every trip has one, in the order of what matters first. Nothing that is slippery is called clear.
"""

from collections.abc import Iterator
from datetime import datetime
from typing import Final, NamedTuple

from alertd.i18n import ENGLISH, Translator, gettext_noop, odds
from alertd.notices import surfaces
from alertd.notices.text import driver_parts, phrases
from alertd.plan.controls.closures import describe_closure
from alertd.plan.model.notes import HoldNote
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, Stretch, SurfaceStretch
from alertd.road.road_class import WINTER_CLASSES, RoadClass

SHOWN_N: Final = 2  # runs of winter road in a headline; the plan lists all
_GRAVITY: Final = {
    c.label: rank
    for rank, c in enumerate(
        (RoadClass.RIME, RoadClass.SLUSH, RoadClass.SNOW, RoadClass.PACKED_SNOW, RoadClass.ICE, RoadClass.GLAZE), 1
    )
}
_LABELS: Final = frozenset(c.label for c in WINTER_CLASSES)
_ICE_RANK: Final = _GRAVITY[RoadClass.ICE.label]
ICE_SHOWN_FRAC: Final = 0.15  # ice in fewer members does not lead a headline before a likelier surface
BESIDE_FRAC: Final = 0.05  # [A] from these odds on, a road line lists a surface beside frost in more than a trace
EVEN_FRAC: Final = 0.5  # below it, the road is more likely without the surface, and faster
UNLIKELY_FRAC: Final = 0.25  # [A] below it, a run without ice adds nothing at 4 a.m. to a stretch that may need chains
_REASONS: Final = frozenset(
    (
        gettext_noop("Ice over a long way"),
        gettext_noop("Gusts too strong for this rig"),
        gettext_noop("No sight: fog, snow or blowing snow"),
        gettext_noop("Strong gusts"),
        gettext_noop("Poor sight"),
        gettext_noop("Rig may be barred"),
        gettext_noop("Road expected to be closed by snow"),
        gettext_noop("Grip short even with chains"),
    )
)


class _Run(NamedTuple):
    """One run of winter road: its worst likely surface, and what it asks for."""

    label: str
    frac: float
    start_m: float
    end_m: float
    place: str
    hours: str
    speed: str
    asked: Advice
    beside: tuple[tuple[str, float], ...] = ()
    in_places: bool = False


def headlines(plan: Plan, translator: Translator = ENGLISH) -> list[str]:
    """Return the headlines of a trip under way or ahead, gravest first; none once it has arrived."""
    return [*grave_lines(plan, translator), *road_lines(plan, translator)]


def grave_lines(plan: Plan, translator: Translator = ENGLISH) -> list[str]:
    """Return the headlines that forbid to go on as planned: a reason to wait, and hours that are not legal."""
    if plan.arrived_at is not None:
        return []
    if plan.hold is not None:
        lines = [hold_line(plan.hold, plan.made_at, translator)]
    else:  # a plan of an older version
        lines = [f"{translator.gettext('HOLD')}: {describe_closure(n, plan.made_at)}" for n in plan.closures if n.held]
    if plan.hours is not None and not plan.hours.ok:
        lines += _not_legal(plan, translator)
    return lines


def road_lines(plan: Plan, translator: Translator = ENGLISH) -> list[str]:
    """Return the headlines of the road: the worst surfaces, wind and sight."""
    if plan.arrived_at is not None:
        return []
    return [
        *surface_lines(plan, translator),
        *(
            f"{reason(n.what, translator)} ({n.detail}, {odds(n.probability or 0.0, translator)}), "
            f"{surfaces.span_between(n.start_m, n.end_m, translator)}"
            for n in plan.closures
            if n.kind and not n.held
        ),
    ]


def _not_legal(plan: Plan, translator: Translator) -> list[str]:
    """The hours that run out on the way, first the one that runs out first."""
    limits = plan.hours.limits if plan.hours is not None else ()
    over = [(x.reached_at, x.reached_m, x) for x in limits if x.reached_at is not None and x.reached_m is not None]
    if not over:
        return []
    at, at_m, limit = min(over, key=lambda o: o[0])
    when = phrases.clock_on(at, plan.arrive_zone, plan.depart_at, translator)
    where = phrases.trip_distance(at_m, translator)
    line = translator.gettext("NOT LEGAL as planned: hours run out at {when}, {where}.", when=when, where=where)
    if limit.stop_name:
        line += " " + translator.gettext("Last listed stop before it: {stop}.", stop=limit.stop_name)
    return [line]


def reason(what: str, translator: Translator) -> str:
    """Return a reason to wait in the reader's language; words of a source stay as they are."""
    return translator.gettext(what) if what in _REASONS else what


def hold_line(hold: HoldNote, made_at: datetime, translator: Translator = ENGLISH) -> str:
    """Return what to do instead of driving on: do not start, or lie over, where and until when."""
    what = reason(hold.what, translator)
    span = surfaces.span_between(hold.start_m, hold.end_m, translator)
    if hold.at_start:
        order = translator.gettext("HOLD: do not start. {what}, {span}.", what=what, span=span)
    elif not hold.wait.stop_id:
        order = translator.gettext(
            "HOLD: park at the first safe place off the road. {what}, {span}.", what=what, span=span
        )
    else:
        where = driver_parts.place_words(hold.wait, translator)
        order = translator.gettext("HOLD: lie over at {where}. {what}, {span}.", where=where, what=what, span=span)
    if hold.until is None:
        return f"{order} {translator.gettext('No end of it is known; look again with each new forecast.')}"
    until = phrases.clock_on(hold.until, hold.zone, made_at, translator)
    return f"{order} {translator.gettext('Maybe passable from {until}: look again before you go.', until=until)}"


def arrival(plan: Plan, translator: Translator = ENGLISH) -> str:
    """Return the arrival: not before the end of a hold; with and without chains where these are uncertain."""
    at = phrases.clock_on(plan.arrive_at, plan.arrive_zone, plan.depart_at, translator)
    if plan.hold is not None:
        if plan.hold.not_before is None:
            return translator.gettext("not before {at}, end of the hold not known", at=at)
        return translator.gettext("not before {at}", at=at)
    if plan.arrivals is None:
        return at
    bare, chained = (
        phrases.clock_on(t, plan.arrive_zone, plan.depart_at, translator)
        for t in (plan.arrivals.unchained_at, plan.arrivals.chained_at)
    )
    return translator.gettext(
        "unchained {bare}, chained {chained}, chains {odds}",
        bare=bare.rsplit(" ", 1)[0],
        chained=chained,
        odds=odds(plan.arrivals.chain_probability, translator),
    )


def surface_lines(plan: Plan, translator: Translator = ENGLISH) -> list[str]:
    """Return the worst runs of winter road in the order of the road, or one line where none is expected.

    The gravest run to chain for or not to drive is one of them, for a driver who reads no further must not miss the
    place to chain. Ice anywhere comes before further runs.
    """
    runs = sorted(_runs(plan, translator), key=_by_weight)
    if runs:
        others = sorted(runs[1:], key=lambda r: (_GRAVITY[r.label] < _ICE_RANK, *_by_weight(r)))
        shown = [runs[0], *others[: SHOWN_N - 1]]
        return [_line(r, translator) for r in sorted(shown, key=lambda r: r.start_m)]
    if plan.partial:
        return [translator.gettext("Road not known in part: expect ice or snow where it is not known")]
    if plan.bridges:
        share = odds(max(b.probability for b in plan.bridges), translator)
        return [translator.gettext("Bridges may be icy ({share}), the road beside them not", share=share)]
    return []


def _by_weight(r: _Run) -> tuple[bool, int, float, float]:
    return r.asked.rank < Advice.CHAIN.rank, -_GRAVITY[r.label], -r.frac, r.start_m


def _runs(plan: Plan, translator: Translator) -> Iterator[_Run]:
    for s in plan.stretches:
        # Chains are never for the frost of a stretch: a line of frost that asks for chains contradicts itself.
        biting = tuple(x for x in s.surfaces if x[0] != RoadClass.RIME.label and x[0] in _LABELS)
        likely = any(frac >= ICE_SHOWN_FRAC for _, frac in biting)
        named = _worst(biting if likely else s.surfaces)
        if named is not None:
            hours = f"{phrases.clock_time(s.enter_at, s.zone).split()[0]}-{phrases.clock_time(s.leave_at, s.zone)}"
            speed = driver_parts.speed(s.speed_mps, s, translator)
            if s.advice is not Advice.CHAIN:
                speed = translator.gettext("{speed} chained", speed=speed)
            yield _Run(*named, s.start_m, s.end_m, s.place, hours, speed, s.advice)
    for x in plan.surfaces:
        named = _worst(x.surfaces, icy=x.icy)
        if named is None or (x.chains_asked and _inside(x, plan.stretches)):
            continue
        if plan.stretches and not x.icy and x.probability < UNLIKELY_FRAC:
            continue
        yield _Run(
            *named,
            x.start_m,
            x.end_m,
            x.place,
            surfaces.hours(x),
            driver_parts.speed(x.speed_mps, x, translator),
            Advice.SLOW,
            tuple(b for b in x.surfaces if b[0] in _LABELS and b[0] != named[0] and b[1] >= BESIDE_FRAC),
            surfaces.in_places(x, plan),
        )


def _inside(x: SurfaceStretch, stretches: tuple[Stretch, ...]) -> bool:
    return any(s.start_m <= x.end_m and s.end_m >= x.start_m for s in stretches)


def _worst(found: tuple[tuple[str, float], ...], *, icy: bool = True) -> tuple[str, float] | None:
    """The worst surface that is likely enough, else the likeliest winter surface; None without one.

    icy: False where ice is too short to matter.
    """
    winter = [(label, frac) for label, frac in found if label in _LABELS]
    if not winter:
        return None
    likely = [x for x in winter if x[1] >= ICE_SHOWN_FRAC]
    ice = [x for x in likely if icy and _GRAVITY[x[0]] >= _ICE_RANK]
    return max(ice or likely or winter, key=lambda x: x[1])


def _line(r: _Run, translator: Translator) -> str:
    """One run, e.g. "GLAZE mi 3-50, 06:00-09:20 MST, 9 in 10: max 15 mph. No chain control expected."."""
    name = driver_parts.surface(r.label, translator).upper()
    place = f", {r.place}" if r.place else ""
    speed = r.speed
    if r.in_places:
        name = translator.gettext("{surface} in places", surface=name)
    # The arrival counts the surface only as far as it is met: a speed for the whole run would contradict it.
    if r.in_places or (r.asked is Advice.SLOW and r.frac < EVEN_FRAC):
        speed = translator.gettext("{speed} on it", speed=speed)
    head = translator.gettext(
        "{surface} {span}, {hours}, {odds}: max {speed}.",
        surface=name,
        span=surfaces.span_between(r.start_m, r.end_m, translator) + place,
        hours=r.hours,
        odds=odds(r.frac, translator),
        speed=speed,
    )
    return f"{head} {_chains(r, translator)}"


def _chains(r: _Run, translator: Translator) -> str:
    """Whether chains are asked there, or would help: they bite on snow and ice, and on frost they do nothing."""
    match r.asked:
        case Advice.CHAIN:
            return translator.gettext("Plan to chain.")
        case Advice.READY:
            return translator.gettext("Chains may be required.")
        case Advice.HOLD:
            return translator.gettext("Do not drive it.")
    if r.label == RoadClass.RIME.label:
        if not r.beside:
            return translator.gettext("Bridges and shade first; chains do not help.")
        others = ", ".join(driver_parts.surface_odds(*b, translator) for b in r.beside)
        return translator.gettext("Bridges and shade first; chains help on {others}, not on frost.", others=others)
    return translator.gettext("No chain control expected; chains would help.")
