"""Words for the reasons of a stretch: its stops, its odds, the road around it and bare road driven chained."""

from typing import Final

from alertd.plan.chain_up.legs import Alternative, Leg
from alertd.plan.chain_up.solution import Solution
from alertd.plan.model.stretches import Posting
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import stretch_probability
from alertd.road.road_class import DRIVERS_WORDS
from alertd.units import to_miles

WORTH_SAYING_FRAC: Final = 0.1  # closures in fewer members are omitted


def on_reason(x: Leg, start_m: float, params: PlanParams) -> str:
    """The reason for chaining at that place, and not at the next best one."""
    if x.carried:
        return "chains are on, as reported"
    if x.on is None:
        here = "where the trip starts" if x.on_m <= 0.0 else "where the truck is"
        why = f"no listed stop before the snow that beats it: hang them {here}"
    elif not x.on.stop.listed:
        why = "no listed stop serves: look for a safe place off the road"  # its name holds the miles
    elif x.on_m > start_m + params.edge_slack_m:
        why = "NO listed stop before the snow: this one may already be in it; go slowly"
    elif x.on_m >= start_m:
        why = "last listed safe stop, just inside the edge of the road that may need chains"
    elif x.on_drawbacks:
        why = f"the best listed before the snow, but {' and '.join(x.on_drawbacks)}"
    else:
        why = "last listed safe stop before the first road that may need chains"
    return why if x.alternative is None else f"{why}; {_alternative_words(x.alternative)}"


def off_reason(x: Leg) -> str:
    if x.off is None:
        return "no listed safe stop past the snow before the trip ends: take them off there"
    if not x.off.stop.listed:
        return f"no listed stop serves: look for a safe place off the road from mile {to_miles(x.off_m):.0f} on"
    if x.off_drawbacks:
        return f"the best listed past the last road that may need chains, but {' and '.join(x.off_drawbacks)}"
    return "first listed safe stop past the last road that may need chains"


def _alternative_words(alternative: Alternative) -> str:
    """The second-best stop, and why it was not chosen."""
    name = "the trip's start" if alternative.stop is None else alternative.stop.stop.name
    because = [
        what
        for seconds, what in (
            (alternative.slow_s, f"{alternative.slow_s / 60.0:.0f} min longer at chained speed"),
            (alternative.wear_s, "more wear on bare road"),
            (alternative.price_s, "a worse place to stand"),
            (alternative.kept_s if alternative.more_s < 30.0 else 0.0, "not the place already sent to the driver"),
        )
        if seconds >= 30.0
    ]
    why = f": {', '.join(because)}" if because else ""
    if alternative.more_s < 30.0:
        return f"next best is {name}, about as good{why}"
    return f"next best is {name}, {alternative.more_s / 60.0:.0f} min worse all told{why}"


def road_reasons(
    x: Leg,
    postings: tuple[Posting, ...],
    surfaces: tuple[tuple[str, float], ...],
    short_frac: float,
    short_chained_frac: float,
    closed_frac: float,
    unknown_frac: float,
) -> tuple[str, ...]:
    """Reasons in the order of interest to a driver: road, expected posting, grip, what is unknown."""
    road = ", ".join(f"{DRIVERS_WORDS.get(name, name)} {share:.0%}" for name, share in surfaces if share >= 0.05)
    out = [f"Road at your hour, share of forecast members that meet it: {road}"] if unknown_frac < 1.0 else []
    out += [_posting_words(p) for p in postings]
    if short_frac > 0:
        out.append(
            f"Grip on the steepest part falls short in {short_frac:.0%} of members without chains, "
            f"{short_chained_frac:.0%} with them"
        )
    if closed_frac >= WORTH_SAYING_FRAC:
        out.append(
            f"Our estimate, not posted: deep snow or a blizzard closes the road, {closed_frac:.0%}; the road authority "
            "decides"
        )
    if x.chains.barred:
        out.append(f"This rig may not pass while it is posted: {x.chains.barred}")
    if unknown_frac > 0:
        whole = (
            "Road not known (no forecast, or what already lies there): the likelihood is what we give any such grade"
        )
        out.append(whole if unknown_frac == 1.0 else f"Road not known in {unknown_frac:.0%} of members")
    if x.stays_on and not x.carried:
        out.append(
            "The chains stay on from an earlier stretch: taking them off between costs more"
            if x.driven
            else "The chains stay on here, for the stretch that needs them: taking them off costs more"
        )
    if x.carried:
        out.append("Chains are on, as reported: they stay on here")
    if len(x.parts) > 1:
        out.append("Chains stay on over the bare road between: no stop to change at, or changing costs more time")
    out += [f"Doubt in the rule: {p.doubt}" for p in postings if p.doubt]
    return tuple(dict.fromkeys(out))


def _posting_words(p: Posting) -> str:
    """The posted or expected control; a level that may follow is labelled as our estimate."""
    if not p.posted:
        return f"Our estimate: '{p.legal_name}' posted in {p.jurisdiction} {p.probability:.0%} (law: {p.section})"
    if p.posted_level != p.level_id:
        return f"Comes with what is posted: '{p.legal_name}' in {p.jurisdiction} (law: {p.section})"
    return f"POSTED: '{p.legal_name}' in {p.jurisdiction}, by {p.posted_by} (law: {p.section})"


def fringe_words(x: Leg, solution: Solution) -> tuple[str, ...]:
    """Where few members need chains before or behind the stretch, which is no reason to hang them."""
    sections, need, out = solution.sections, solution.need, []
    if x.showers:
        out.append("Showers: each forecast member needs chains elsewhere on it, few at any one place; chain on sight")
    if x.fringe_first < x.first:
        mile = to_miles(float(sections.start_m[x.fringe_first]))
        share = stretch_probability(need, x.fringe_first, x.first - 1)
        out.append(f"May be white from mile {mile:.0f}: chains needed before the stretch in {share:.0%} of members")
    if x.fringe_last > x.last:
        mile = to_miles(float(sections.end_m[x.fringe_last]))
        share = stretch_probability(need, x.last + 1, x.fringe_last)
        out.append(f"May be white to mile {mile:.0f}: chains needed past the stretch in {share:.0%} of members")
    return tuple(out)


def bare_words(x: Leg, start_m: float, end_m: float, params: PlanParams) -> tuple[str, ...]:
    """Why chains go on early, come off late, or stay on over much bare road."""
    if x.carried:
        return ()
    out, chained = [], "The chains" if x.driven or x.stays_on else "If hung, the chains"
    if start_m - x.on_m > params.told_early_m:
        miles = f"{to_miles(start_m - x.on_m):.0f} miles before the stretch"
        if x.run_start_m < start_m:
            out.append(f"{chained} go on {miles}, for one before it: no place to change is between, or it costs more")
        else:
            out.append(f"{chained} go on {miles}: no better place is nearer")
    if x.off_m - end_m > params.told_bare_m:
        miles = f"{to_miles(x.off_m - end_m):.0f} miles past the stretch"
        later = "for a later one" if x.run_end_m > end_m else "no better place to take them off is nearer"
        out.append(f"{chained} stay on for {miles}: {later}")
    if x.driven and not x.stays_on and x.bare.total_m > params.told_bare_m:
        because = (
            ("no better place to hang them is nearer", x.bare.before_m),
            ("to take them off and hang them again between costs more, or has no place", x.bare.between_m),
            ("it lies in short pieces between road that may need them", x.bare.inside_m),
            ("no better place to take them off is nearer", x.bare.behind_m),
        )
        why = max(because, key=lambda part: part[1])[0]
        out.append(f"About {to_miles(x.bare.total_m):.0f} miles are driven chained on bare road: {why}")
    return tuple(out)
