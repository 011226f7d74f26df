"""Words for the office: one trip's plan in a few lines, and the morning brief over all trips."""

from collections.abc import Sequence
from datetime import datetime

from alertd.notices import words
from alertd.plan.result import Advice, Plan, Stretch


def dispatcher_text(plan: Plan) -> str:
    """One trip for the dispatcher: what, where, when, what it costs, what is short, how sure and how old."""
    lines = [f"{plan.trip_id} {plan.rig_name} {plan.driver}: {plan.advice.upper()}. {_arrival(plan)}"]
    lines += [f"  {_stretch(s)}" for s in plan.stretches]
    if plan.singles_short:
        lines.append(f"  SHORT OF CHAINS: {_short(plan)}")
    lines += [f"  Caution: {c}" for c in plan.cautions]
    lines.append(f"  {_ages(plan)} {words.SIGNS}")
    return "\n".join(lines)


def brief_text(
    fleet: str, plans: Sequence[Plan], not_planned: Sequence[tuple[str, str]], now: datetime, zone: str
) -> str:
    """The morning brief: who needs chains, where, when; who carries too few; whose arrival slips; what is not known.

    `not_planned` are (trip id, reason): a trip that could not be planned is named, never left out.
    """
    acting = sorted((p for p in plans if p.stretches), key=_next_action)
    clear = [p for p in plans if not p.stretches]
    counts = ", ".join(f"{sum(p.advice is a for p in plans)} {a}" for a in reversed(Advice))
    head = [
        f"MORNING BRIEF  {fleet}  {words.day_clock(now, zone)}",
        f"{len(plans) + len(not_planned)} trips: {counts}"
        + (f", {len(not_planned)} NOT PLANNED" if not_planned else ""),
        f"{words.SIGNS} {_oldest(plans)}",
    ]
    short = [f"  {p.rig_name}, trip {p.trip_id}, {p.driver}: {_short(p)}" for p in plans if p.singles_short]
    out = [*head, ""]
    if not_planned:
        out += ["COULD NOT BE PLANNED - be ready to chain", *(f"  {t}: {why}" for t, why in not_planned), ""]
    if short:
        out += ["SHORT OF CHAINS - load before departure", *short, ""]
    if acting:
        out += ["IN ORDER OF THE NEXT ACTION"]
        for p in acting:
            out += [f"{words.clock(p.depart_at, p.depart_zone)}  {p.trip_id}  {p.rig_name}  {p.driver}: "
                    f"{p.advice.upper()}. {_arrival(p)}"]  # fmt: skip
            out += [f"    {_stretch(s)}" for s in p.stretches]
        out.append("")
    if clear:
        out += [
            "NO WINTER ROAD EXPECTED at their hour (chains stay aboard where a carry rule holds)",
            *(
                f"  {p.trip_id}  {p.rig_name}  {p.driver}  leaves {words.clock(p.depart_at, p.depart_zone)}"
                for p in clear
            ),
            "",
        ]
    cautions = dict.fromkeys(c for p in plans for c in p.cautions)
    carry = dict.fromkeys(
        f"{p.rig_name}: {c.jurisdiction} asks {c.singles_asked} chains aboard on this trip ({c.section})"
        for p in plans
        for c in p.carry
    )
    out += [f"Carry rule, any weather: {c}" for c in carry]
    out += [f"Caution: {c}" for c in cautions]
    return "\n".join(out).rstrip() + "\n"


def _next_action(plan: Plan) -> datetime:
    return min(s.chain_up.arrive_at for s in plan.stretches)


def _stretch(s: Stretch) -> str:
    up, off = s.chain_up, s.chain_off
    place = s.place or f"{words.miles(s.start_m)} from the start"
    cost = words.minutes(s.hang_s + s.remove_s + s.slow_s)
    what = {
        Advice.CHAIN: "plan to chain",
        Advice.READY: "be ready to chain",
        Advice.HOLD: "HOLD before it, grip may be short even chained",
    }.get(s.advice, "watch")
    surface = ", ".join(f"{name} {share:.0%}" for name, share in s.surfaces[:2])
    return (
        f"{place} ({'/'.join(s.jurisdictions)}) {words.percent(s.probability)}: {what} at {words.stop_words(up)} "
        f"{words.clock(up.arrive_at, up.zone)}, {s.tires_words}; {words.mph(s.speed_mps)}, "
        f"{words.mph(s.bare_speed_mps)} on bare; off at {words.stop_words(off)} "
        f"{words.clock(off.arrive_at, off.zone)}; chaining costs {cost}. Road: {surface}."
    )


def _arrival(plan: Plan) -> str:
    due = words.clock(plan.arrive_at, plan.arrive_zone)
    window = f"{words.clock(plan.arrive_early, plan.arrive_zone)}-{words.clock(plan.arrive_late, plan.arrive_zone)}"
    slip = f", {words.minutes(plan.cost_s)} later than on a dry road" if plan.cost_s >= 300 else ""
    return f"Arrives {due} ({window}){slip}"


def _short(plan: Plan) -> str:
    carried = f"{plan.singles_carried} single" + (f" and {plan.doubles_carried} double" if plan.doubles_carried else "")
    need = max([s.hanging.singles_n for s in plan.stretches] + [c.singles_asked for c in plan.carry])
    return f"needs chains for {need} tires, carries {carried}: {plan.singles_short} short"


def _ages(plan: Plan) -> str:
    return f"Forecast {words.forecast_age(plan)} old; rule text of {words.rule_text_age(plan)}."


def _oldest(plans: Sequence[Plan]) -> str:
    if not plans:
        return ""
    oldest = max((s.age_h for p in plans for s in p.sources), default=0.0)
    texts = min((r.text_date for p in plans for r in p.rules), default=None)
    rules = f"oldest rule text {texts.isoformat()}" if texts else "no rule text on file"
    return f"Oldest forecast {words.age(oldest)}; {rules}."
