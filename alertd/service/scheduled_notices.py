"""Between cycles: notices that are due by time, or because a message was not confirmed."""

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import TypeAlias

from alertd.notices.model import Audience, Notice
from alertd.notices.reports.truck_lines import truck_line
from alertd.notices.sent_state import SentFact
from alertd.notices.triggers.all_clear import all_clear
from alertd.notices.triggers.compose import with_link
from alertd.notices.triggers.digest import DigestInput, digest_notice, pending_news
from alertd.notices.triggers.escalation import escalations
from alertd.notices.triggers.missing_data import missing_forecast_notice
from alertd.notices.triggers.scheduled import ChainStatus, scheduled_notices
from alertd.plan.model.plan import Plan
from alertd.planning.cycles.held_plan import HeldByTrip, HeldPlan, HeldPlans, hold
from alertd.records.driver_reports import RECENT, chains_on_by_trip, confirmed_notices
from alertd.settings.model import Settings
from alertd.store.store import Store

Link: TypeAlias = Callable[[Plan, datetime], str]


class ActiveTrip:
    """A trip's plan of the last cycle, packed, and the facts sent about it."""

    __slots__ = ("facts", "held")

    def __init__(self, *, plan: Plan | HeldPlan, facts: tuple[SentFact, ...]) -> None:
        self.held, self.facts = hold(plan), facts

    @property
    def trip_id(self) -> str:
        """The trip, without unpacking its plan."""
        return self.held.trip_id

    @property
    def plan(self) -> Plan:
        """The plan without its other departures, unpacked."""
        return self.held.plan


def send_scheduled(
    active: Sequence[ActiveTrip],
    store: Store,
    settings: Settings,
    now_utc: datetime,
    link: Link = lambda plan, now_utc: "",
) -> tuple[str, ...]:
    """Record the notices that are due; returns the ids of new notices. Raises StoreError.

    `link`: where the driver of a plan confirms; "" for none.
    """
    policy = settings.notices
    sent: dict[str, list[Notice]] = defaultdict(list)
    for audience in (Audience.DRIVER, Audience.DISPATCHER):
        for notice in store.notices_since(audience, now_utc - RECENT):
            sent[notice.trip_id].append(notice)
    read, chains = confirmed_notices(store, now_utc), chains_on_by_trip(store, now_utc)
    driver_sent_at: dict[str, list[datetime]] = defaultdict(list)
    for held in (one.held for one in active):
        driver_sent_at[_driver(held)] += [n.created_at for n in sent[held.trip_id] if n.audience is Audience.DRIVER]
    new: list[Notice] = []
    for one in active:
        plan, known = one.plan, {n.id for n in sent[one.trip_id]}
        translators = settings.languages.translators_for(plan.language, plan.lands)
        calls = [
            *scheduled_notices(plan, one.facts, chains.get(plan.trip_id, ChainStatus()), now_utc, policy, translators),
            *all_clear(plan, one.facts, now_utc, policy, translators),
            *escalations(plan, sent[plan.trip_id], read, now_utc, policy, translators),
        ]
        fresh = [n for n in calls if n.id not in known]
        mine = [n for n in fresh if n.audience is Audience.DRIVER]
        if policy.is_quiet(now_utc, plan.depart_zone):
            mine = [n for n in mine if n.expires_at - now_utc <= policy.quiet_yields]
        mine = mine[: policy.messages_left(driver_sent_at[_driver(plan)], now_utc)]
        driver_sent_at[_driver(plan)] += [now_utc] * len(mine)
        new += [*with_link(mine, link(plan, now_utc)), *(n for n in fresh if n.audience is not Audience.DRIVER)]
    blind = missing_forecast_notice(settings.fleet, HeldPlans([one.held for one in active]), now_utc, sent[""])
    new += [n for n in blind if all(n.id != known.id for known in sent[""])]
    plans = HeldByTrip({one.trip_id: one.held for one in active})
    to_office = [n for notices in sent.values() for n in notices if n.audience is Audience.DISPATCHER]
    if digest := _digest([*to_office, *new], plans, settings, now_utc):
        new.append(digest)
    return store.record_notices(new, settings.targets, now_utc) if new else ()


def _digest(
    notices: Sequence[Notice], plans: Mapping[str, Plan], settings: Settings, now_utc: datetime
) -> Notice | None:
    """The digest that is due to the office. A brief settles what changed before it."""
    if not settings.notices.digest_every:
        return None
    of_office = [n for n in notices if n.audience is Audience.DISPATCHER]
    trips = {n.trip_id for n in pending_news(of_office, now_utc)}
    lines = {trip_id: _line(plans[trip_id], now_utc) for trip_id in trips if trip_id in plans}
    return digest_notice(
        DigestInput(fleet=settings.fleet, zone=settings.brief_zone, plans=plans, lines=lines),
        of_office,
        now_utc,
        settings.notices,
    )


def _line(plan: Plan, now_utc: datetime) -> str:
    """When, who, what to do first, where, and how many chains are short."""
    truck = truck_line(plan, now_utc)
    short = f"; {truck.short_n} CHAINS SHORT" if truck.short_n else ""
    return f"{truck.when}, {truck.driver or truck.rig}: {truck.what}, {truck.where}{short}"


def _driver(plan: Plan | HeldPlan) -> str:
    """Key by which messages are counted: the driver, or the trip without a named driver."""
    return plan.driver or plan.trip_id
