"""Derives a driver's next action on a trip from the plan and the reported chain state."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum

from alertd.i18n import ENGLISH, Translator, odds
from alertd.notices import surfaces
from alertd.notices.text import driver_parts, phrases, place_text
from alertd.notices.triggers.closures import holding_closures
from alertd.notices.triggers.covered import shares_chain_up
from alertd.notices.triggers.scheduled import ChainStatus, counts_as_on, take_off
from alertd.plan.model.notes import ClosureNote
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, StopChoice, Stretch, SurfaceStretch

PLAN_STALE_AFTER = timedelta(hours=2)  # an older plan never counts as clear
ICE_YIELDS = timedelta(minutes=30)  # our choice: a place to chain or hold so soon after the ice comes first


class ActionKind(StrEnum):
    """What the driver does next."""

    HANG = "hang"
    HOLD = "hold"
    READY = "ready"
    TAKE_OFF = "take_off"
    SLOW = "slow"  # winter road without chains
    DRIVE = "drive"  # no chains expected on the rest of the trip, by this forecast
    ARRIVED = "arrived"


@dataclass(frozen=True, slots=True, kw_only=True)
class NextAction:
    """The next action. at: when it is due. stretch and stop, closure or surface: where; all None for the whole trip.

    number: of the stretch, from 1. then: later actions, one line each.
    """

    step: ActionKind
    at: datetime
    stretch: Stretch | None = None
    stop: StopChoice | None = None
    closure: ClosureNote | None = None
    surface: SurfaceStretch | None = None
    number: int = 0
    then: tuple[str, ...] = ()


def next_action(
    plan: Plan, chained: ChainStatus, off_at: datetime | None, now_utc: datetime, translator: Translator = ENGLISH
) -> NextAction:
    """Return the next action. `off_at`: when chains were last reported off.

    With old or missing data the action is at least "be ready".
    """
    if plan.arrived_at is not None:
        return NextAction(step=ActionKind.ARRIVED, at=plan.arrived_at)
    calls = [*_closed(plan, now_utc), *_stretches(plan, off_at, now_utc), *_icy(plan, now_utc)]
    calls.sort(key=lambda c: c.at + ICE_YIELDS if c.surface is not None else c.at)
    if counts_as_on(plan, chained) and (off := _take_off(plan, chained, now_utc)) is not None:
        # Actions that the installed chains do not satisfy come first: a hold, or more tires to chain.
        before = [c for c in calls if c.at <= off.at and (c.step is ActionKind.HOLD or _asks_for_more(plan, c))]
        calls = [*before, off, *(c for c in calls if c.at > off.at)]
    if calls:
        return replace(calls[0], then=tuple(_line(c, translator) for c in calls[1:]))
    if plan.arrive_late < now_utc:
        return NextAction(step=ActionKind.ARRIVED, at=plan.arrive_at)
    at = plan.depart_at if plan.depart_at > now_utc else plan.arrive_at
    needs_readiness = plan.advice.rank >= Advice.READY.rank and not plan.stretches
    if plan.partial or is_old(plan, now_utc) or needs_readiness:
        # An earlier order whose stretch is absent from newer, incomplete data still applies: see `notices.upheld`.
        order = {Advice.HOLD: ActionKind.HOLD, Advice.CHAIN: ActionKind.HANG}.get(plan.advice) if plan.partial else None
        return NextAction(step=order or ActionKind.READY, at=at)
    left = sorted((s for s in plan.surfaces if s.leave_at > now_utc), key=lambda s: (not s.icy, s.start_m))
    if left:
        return NextAction(step=ActionKind.SLOW, at=max(left[0].enter_at, min(now_utc, at)), surface=left[0])
    return NextAction(step=ActionKind.SLOW if plan.advice is Advice.SLOW else ActionKind.DRIVE, at=at)


def is_old(plan: Plan, now_utc: datetime) -> bool:
    """Whether a plan is too old to count as clear."""
    return now_utc - plan.made_at > PLAN_STALE_AFTER


def _asks_for_more(plan: Plan, call: NextAction) -> bool:
    """Whether the action is to add chains to those that are on."""
    is_more = plan.chains is not None and plan.chains.missing_n > 0
    return is_more and call.stretch is not None and call.stretch.chained and call.step is ActionKind.HANG


def _take_off(plan: Plan, chained: ChainStatus, now_utc: datetime) -> NextAction | None:
    """Return the action to remove the chains that are on, by the plan.

    A plan made without knowledge of the chains may have a stretch that begins later than now. Its chains are not these,
    except for the first stretch.
    """
    numbered = list(enumerate(plan.stretches, 1))
    if (off := take_off(plan, chained)) is not None:
        n, stretch = next(((n, s) for n, s in numbered if s.chained), (0, None))
        return NextAction(step=ActionKind.TAKE_OFF, at=off.arrive_at, stretch=stretch, stop=off, number=n)
    here = [(n, s) for n, s in numbered if s.enter_at <= now_utc] or numbered[:1]
    if not here:
        return None
    n, s = here[-1]
    return NextAction(step=ActionKind.TAKE_OFF, at=s.chain_off.arrive_at, stretch=s, stop=s.chain_off, number=n)


def _stretches(plan: Plan, off_at: datetime | None, now_utc: datetime) -> list[NextAction]:
    out, ahead = [], [s for s in plan.stretches if s.leave_at > now_utc]
    for n, s in enumerate(plan.stretches, 1):
        is_off = off_at is not None and s.chain_up.arrive_at <= off_at
        done = s.leave_at <= now_utc or is_off or shares_chain_up(ahead, s)
        if done or s.advice is Advice.CLEAR:
            continue
        step = {Advice.HOLD: ActionKind.HOLD, Advice.CHAIN: ActionKind.HANG}.get(s.advice, ActionKind.READY)
        out.append(NextAction(step=step, at=s.chain_up.arrive_at, stretch=s, stop=s.chain_up, number=n))
    return out


def _closed(plan: Plan, now_utc: datetime) -> list[NextAction]:
    ahead = [c for c in holding_closures(plan) if c.enter_at > now_utc]
    return [NextAction(step=ActionKind.HOLD, at=c.enter_at, closure=c) for c in ahead]


def _icy(plan: Plan, now_utc: datetime) -> list[NextAction]:
    """Return the icy runs ahead, without one that the truck is already on."""
    ahead = [s for s in surfaces.to_slow_for(plan) if s.enter_at > now_utc]
    return [NextAction(step=ActionKind.SLOW, at=s.enter_at, surface=s) for s in ahead]


def _line(call: NextAction, translator: Translator) -> str:
    if call.closure is not None:
        return f"{translator.gettext('HOLD')}, {phrases.clock_time(call.at, call.closure.zone)}: {call.closure.what}"
    if call.surface is not None:
        ice = translator.gettext("ICE {span}", span=surfaces.span(call.surface, translator))
        return f"{ice}, {surfaces.hours(call.surface)}: {odds(call.surface.probability, translator)}"
    if call.stop is None or call.stretch is None:
        return ""
    if call.step is ActionKind.HOLD:
        what = translator.gettext("HOLD")
    else:
        what = translator.gettext("chain") if call.step is ActionKind.HANG else translator.gettext("be ready to chain")
    here = place_text.name(call.stretch, translator)
    place = f" ({here})" if here else ""
    when = phrases.clock_time(call.at, call.stop.zone)
    return f"{what}, {when}: {driver_parts.place_words(call.stop, translator)}{place}"
