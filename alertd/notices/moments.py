"""What is said because a moment has come: the evening before, hours before, just before, and chained on the road."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from alertd.notices import gsm7, words
from alertd.notices.driver import fitted
from alertd.notices.notice import Audience, Notice, NoticeKind
from alertd.notices.policy import Policy, reader
from alertd.notices.said import Said
from alertd.notices.telling import message, order
from alertd.plan.result import Advice, Plan, StopChoice, Stretch

STILL_WORTH = timedelta(hours=2)  # to look at chains again, or to be told that they may come off
_TAIL = "Signs+officers decide, rules change. Read parked."


@dataclass(frozen=True, slots=True, kw_only=True)
class Chained:
    """What the driver last reported of the chains: when they went on, None where nothing says that they are on."""

    on_at: datetime | None = None


def due(plan: Plan, said: Sequence[Said], chained: Chained, now_utc: datetime, policy: Policy) -> tuple[Notice, ...]:
    """The notices whose moment has come. The same moment gives the same notice, so a store keeps it once.

    `said`: what stands as said of the trip.
    """
    out = [*_outlook(plan, now_utc, policy)]
    for stretch in plan.stretches:
        if stretch.advice is Advice.CLEAR:
            continue
        out += _before(plan, stretch, said, chained, now_utc, policy)
    if chained.on_at is not None:
        out += _while_chained(plan, chained.on_at, now_utc, policy)
    return tuple(out)


def _outlook(plan: Plan, now_utc: datetime, policy: Policy) -> list[Notice]:
    """Once, the evening before a trip that asks for anything, for the driver to load what it takes."""
    zone = ZoneInfo(plan.depart_zone)
    leaves = plan.depart_at.astimezone(zone)
    eve = datetime.combine(leaves.date() - timedelta(days=1), policy.outlook_at, zone)
    lasts = min(eve + policy.outlook_for, leaves)
    if not eve <= now_utc < lasts or (plan.advice is Advice.CLEAR and plan.singles_short == 0):
        return []
    key = (leaves.date().isoformat(),)
    return [message(plan, NoticeKind.OUTLOOK, Audience.DRIVER, outlook_text(plan), plan.depart_at, key, now_utc)]


def _before(
    plan: Plan, stretch: Stretch, said: Sequence[Said], chained: Chained, now_utc: datetime, policy: Policy
) -> list[Notice]:
    """The early notice, and the last message before the place to hang chains."""
    hang_at = stretch.chain_up.arrive_at
    audience, prefix = reader(plan, now_utc, policy)
    left, key = hang_at - now_utc, (_key(stretch),)
    if not timedelta(0) < left <= policy.early or chained.on_at is not None:
        return []
    if left <= policy.approach:
        text = prefix + approach_text(plan, stretch, now_utc)
        return [message(plan, NoticeKind.APPROACH, audience, text, hang_at, key, now_utc, whoever=True)]
    heard = max((s.said_at for s in said if s.said_at and s.meets(stretch)), default=None)
    if heard is not None and now_utc - heard < policy.repeated_after:
        return []
    return [
        message(plan, NoticeKind.EARLY, audience, prefix + order(plan, stretch), hang_at, key, now_utc, whoever=True)
    ]


def _while_chained(plan: Plan, on_at: datetime, now_utc: datetime, policy: Policy) -> list[Notice]:
    audience, prefix = reader(plan, now_utc, policy)
    out = []
    since, key = now_utc - on_at, (on_at.isoformat(),)
    if policy.recheck_after <= since < policy.recheck_after + STILL_WORTH:
        ends_at = on_at + policy.recheck_after + STILL_WORTH
        out.append(
            message(plan, NoticeKind.RECHECK, audience, prefix + recheck_text(), ends_at, key, now_utc, whoever=True)
        )
    # A stretch that begins later than the chains went on is the next one; its chains are not these.
    here = [s for s in plan.stretches if s.enter_at <= now_utc + policy.off_ahead]
    if here:
        off = here[-1].chain_off
        if timedelta(0) <= now_utc - (off.arrive_at - policy.off_ahead) < STILL_WORTH:
            text, ends_at = prefix + off_text(off), off.arrive_at + STILL_WORTH
            out.append(message(plan, NoticeKind.OFF, audience, text, ends_at, key, now_utc, whoever=True))
    return out


def _key(stretch: Stretch) -> str:
    """A name for a stretch that outlives small moves of its ends."""
    return stretch.place or f"about {round(stretch.start_m / 20_000.0)}"


def outlook_text(plan: Plan) -> str:
    """Tomorrow's trip in two segments: what to expect, what to have on board, when it leaves."""
    worst = max(plan.stretches, key=lambda s: (s.advice.rank, s.probability), default=None)
    what = {
        Advice.HOLD: "HOLD is likely",
        Advice.CHAIN: "PLAN TO CHAIN",
        Advice.READY: "BE READY TO CHAIN",
    }.get(plan.advice, "no chaining expected by this forecast")
    names = ", ".join(dict.fromkeys(s.place for s in plan.stretches if s.place))
    tires = f"{worst.hanging.singles_n} tires to chain" if worst else "chains by carry rule"
    short = f", {plan.singles_short} CHAINS SHORT: load before you leave" if plan.singles_short else ""
    ages = f"{words.forecast_age(plan)}, rule text {words.rule_text_age(plan)}"
    leaves = words.day_clock(plan.depart_at, plan.depart_zone)

    def said(cut: int) -> str:
        where = f" at {names[:cut].rstrip(', ')}" if names and cut else ""
        return (
            f"TOMORROW {plan.trip_id[:24]}, leaves {leaves}: {what}{where}. {tires}{short}. Check chains, tensioners, "
            f"tool, gloves, light tonight. {ages}. {_TAIL}"
        )

    return fitted(said, (80, 50, 30, 15, 0))


def approach_text(plan: Plan, stretch: Stretch, now_utc: datetime) -> str:
    """The last message: the place and the tires, readable in one look while parked."""
    up, left = stretch.chain_up, words.minutes((stretch.chain_up.arrive_at - now_utc).total_seconds())
    verb = {Advice.HOLD: "HOLD at", Advice.CHAIN: "CHAIN UP at"}.get(
        stretch.advice, "LOOK FOR SIGNS, be ready to chain at"
    )
    short = f", {stretch.hanging.singles_short} SHORT" if stretch.hanging.singles_short else ""
    off, law = stretch.chain_off, words.rule_text_age(plan, stretch.jurisdictions)

    def said(cut: int) -> str:
        return (
            f"{verb} {_stop(up, cut)}, {words.clock(up.arrive_at, up.zone)}, {left} away. "
            f"{stretch.hanging.singles_n} tires{short}: {stretch.tires_short_words}. "
            f"Max {words.mph(stretch.speed_mps)}. Off at {_stop(off, cut)}. {words.fcst_age(plan)}, law {law}. {_TAIL}"
        )

    return fitted(said, (60, 40, 26, 18, 0))


def recheck_text() -> str:
    return gsm7.plain(
        "RECHECK CHAINS at the next safe place off the road: slack out, cams tight, hooks off the cams, nothing "
        f"dragging. {_TAIL}"
    )


def off_text(off: StopChoice) -> str:
    """Where chains come off; that the road is clear there is a forecast, and the driver sees the road."""

    def said(cut: int) -> str:
        return (
            f"CHAINS OFF at {_stop(off, cut)}, {words.clock(off.arrive_at, off.zone)}, if the road is bare and no sign "
            f"asks for them beyond it. Stow them so that nothing drags, count the tools. {_TAIL}"
        )

    return fitted(said, (60, 40, 26, 18, 0))


def _stop(stop: StopChoice, cut: int) -> str:
    if not cut and stop.milepost:
        return stop.milepost
    name = stop.name[: max(cut, 14)].rstrip()
    return f"{name} ({stop.milepost})" if stop.milepost else name
