"""The driver's short text: place, time, tires, speed first, in at most two GSM-7 segments."""

from alertd.notices import gsm7, words
from alertd.plan.result import Advice, Plan, StopChoice, Stretch
from alertd.units import to_mph

MOST_SEGMENTS = 2


# Tried in order: longest name of the chain-up stop, of the chain-off stop, of the pass. A driver finds a milepost, so
# names of stops give way first.
_SQUEEZES = ((60, 60, 60), (60, 26, 60), (60, 0, 40), (34, 0, 40), (26, 0, 26), (18, 0, 20), (0, 0, 14), (0, 0, 0))


def driver_text(plan: Plan, stretch: Stretch) -> str:
    """What the driver reads, parked, about one stretch.

    The first 160 septets say who should do what, where, when, with which tires and how fast; the rest says where
    chains come off, how sure, how old, and who decides. Names are shortened before anything else; raises
    ValueError when even that does not fit (no rig and milepost of sensible length can get there).
    """
    text = ""
    for up_max, off_max, pass_max in _SQUEEZES:
        first = gsm7.plain(_do(stretch, up_max))
        text = f"{first} {gsm7.plain(_then(plan, stretch, off_max, pass_max))}"
        if gsm7.septets(first) <= gsm7.SINGLE_SEPTETS and gsm7.segments(text) <= MOST_SEGMENTS:
            return text
    raise ValueError(f"the driver's text for {plan.trip_id} does not fit two segments: {text}")


def _do(s: Stretch, name_max: int) -> str:
    """The part that must stand alone."""
    where, when = _place(s.chain_up, name_max), words.clock(s.chain_up.arrive_at, s.chain_up.zone)
    if s.advice is Advice.HOLD:
        return f"HOLD at {where}, {when}: may be too slick even chained. If sent on: {_tires(s)}, {_top(s)}."
    verb = "PLAN TO CHAIN at" if s.advice is Advice.CHAIN else "BE READY TO CHAIN at"
    return f"{verb} {where}, {when}. {_tires(s)}. Max {_top(s)}, {_bare(s)} if bare."


def _tires(s: Stretch) -> str:
    return f"{_count(s)}: {s.tires_short_words}"


def _count(s: Stretch) -> str:
    short = f" ({s.hanging.singles_short} chains SHORT)" if s.hanging.singles_short else ""
    return f"{s.hanging.singles_n} tires{short}"


def _top(s: Stretch) -> str:
    return words.mph(s.speed_mps)


def _bare(s: Stretch) -> str:
    return f"{to_mph(s.bare_speed_mps):.0f}"


def _then(plan: Plan, s: Stretch, off_max: int, pass_max: int) -> str:
    """What for, where it ends, how sure, how old, who decides."""
    surface = "" if s.unknown_frac == 1.0 else next(f"{name}, " for name, _ in s.surfaces)
    sure = f"{surface}{words.likely(s)}"
    what = f"{s.place[:pass_max].rstrip()}: {sure}" if s.place and pass_max else f"{sure[0].upper()}{sure[1:]}"
    return (
        f"{what}. Off at {_place(s.chain_off, off_max)}. Forecast {words.forecast_age(plan)} old, "
        f"rule text {words.rule_text_age(plan, s.jurisdictions)}. Signs+officers decide, rules change. Read parked."
    )


def _place(stop: StopChoice, name_max: int) -> str:
    """Name and milepost; the milepost alone when there is no room for a name."""
    if name_max == 0 and stop.milepost:
        return stop.milepost
    name_max = max(name_max, 14)
    name = stop.name if len(stop.name) <= name_max else stop.name[: name_max - 1].rstrip() + "."
    return f"{name}, {stop.milepost}" if stop.milepost else name


def eased_text(plan: Plan, place: str) -> str:
    """Relief, worded so that nobody throws chains off the truck."""
    where = place or "the snow we named"
    return gsm7.plain(
        f"EASED: {where} now looks better at your hour, but stay ready and keep chains aboard. Forecast "
        f"{words.forecast_age(plan)} old, rule text {words.rule_text_age(plan)}. "
        f"Signs+officers decide, rules change. Read parked."
    )
