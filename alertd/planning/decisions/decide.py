"""Decides what is sent about a plan, and packs the plan for the store and for memory.

The function is pure, so that the process that planned a trip can run it, or the one that records the plan.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from hashlib import blake2b
from typing import Any

from alertd.notices.model import Notice
from alertd.notices.plan_diff import ComparedPlan
from alertd.notices.policy import Policy
from alertd.notices.sent_state import SentFact, facts_from_plain, facts_to_plain
from alertd.notices.triggers.compose import waits
from alertd.notices.triggers.late_delivery import delivery_from_plain, delivery_notices, delivery_to_plain
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.plan.model.plan import Plan
from alertd.plan.serialize import canonical, forget_texts, plan_text
from alertd.planning.cycles.held_plan import HeldPlan, changes_between, held_as_shown
from alertd.planning.decisions.quiet import Quiet, digest_of_sent
from alertd.settings.languages import Languages
from alertd.store.plans.plan_text import packed_text, with_state


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Basis:
    """What a decision depends on, besides the plan.

    before: what was sent about the trip, as plain values; None where nothing was. notified: times of messages to its
    driver within the last hour. compared: of the trip's plan of the last cycle; None where there is none.
    """

    now_utc: datetime
    policy: Policy
    languages: Languages
    before: Mapping[str, Any] | None
    notified: tuple[datetime, ...]
    compared: ComparedPlan | None

    @property
    def digest(self) -> bytes:
        """Equal for bases of equal decisions."""
        before = None if self.before is None else digest_of_sent(self.before["said"], self.before.get("delivery"))
        parts = (self.now_utc, self.policy, self.languages, before, self.notified, self.compared)
        return blake2b(repr(parts).encode(), digest_size=16).digest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Notices and events to send about a plan, and what is known to be sent afterwards.

    said, delivery: the latter as plain values.
    """

    notices: tuple[Notice, ...]
    events: tuple[Notice, ...]
    facts: tuple[SentFact, ...]
    said: list[dict[str, Any]]
    delivery: dict[str, Any]

    def is_nothing(self, before: Mapping[str, Any] | None) -> bool:
        """Whether nothing is to be sent, and what is known to be sent stays as it was."""
        same = before is not None and (self.said, self.delivery) == (before["said"], before.get("delivery"))
        return same and not (self.notices or self.events)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Decision:
    """A plan packed, and what is sent about it.

    held: the plan as people see it. kept: the text for the store, see `plans.plan_text`. notices: without a link, which
    only the recording process signs. changes: see `changes_between`. quiet: None where the plan is looked at again.
    """

    held: HeldPlan
    kept: str
    depart_at: datetime
    arrived_at: datetime | None
    notices: tuple[Notice, ...]
    events: tuple[Notice, ...]
    facts: tuple[SentFact, ...]
    changes: tuple[str, ...]
    quiet: Quiet | None

    @property
    def trip_id(self) -> str:
        """The trip of the plan."""
        return self.held.trip_id


def decide(plan: Plan, basis: Basis, stands_until: datetime | None) -> Decision:
    """The decision about a new plan. stands_until: see `Standing.quiet_until`.

    Any exception is an internal error.
    """
    asked = asked_of(plan, basis)
    kept = packed_text(plan_text(plan), canonical(asked.said), canonical(asked.delivery))
    forget_texts(plan)  # the archive has it already
    return _decision(plan, kept, asked, basis, stands_until)


def decide_again(earlier: Decision, plan: Plan, basis: Basis, stands_until: datetime | None) -> Decision:
    """The decision on a plan that was decided from another basis.

    plan: that of the earlier decision; it may lack its other departures, from which nothing is decided.
    """
    asked = asked_of(plan, basis)
    kept = with_state(earlier.kept, canonical(asked.said), canonical(asked.delivery))
    return _decision(plan, kept, asked, basis, stands_until)


def _decision(plan: Plan, kept: str, asked: Asked, basis: Basis, stands_until: datetime | None) -> Decision:
    shown, held = held_as_shown(plan, asked.facts, basis.now_utc)
    return Decision(
        held=held,
        kept=kept,
        depart_at=plan.depart_at,
        arrived_at=plan.arrived_at,
        notices=asked.notices,
        events=asked.events,
        facts=asked.facts,
        changes=changes_between(basis.compared, shown),
        quiet=quiet_note(plan, asked, basis, stands_until),
    )


def asked_of(plan: Plan, basis: Basis) -> Asked:
    """What is to be sent about a plan, and what is known to be sent afterwards."""
    before, now_utc, policy = basis.before, basis.now_utc, basis.policy
    translators = basis.languages.translators_for(plan.language, plan.lands)
    known = None if before is None else _not_ahead(facts_from_plain(before["said"]), now_utc)
    notices, facts = plan_notices(plan, known, now_utc, policy, basis.notified, translators)
    delivery = delivery_from_plain(None if before is None else before.get("delivery"))
    events, delivery = delivery_notices(plan, delivery, now_utc, policy)
    said, later = facts_to_plain(facts), delivery_to_plain(delivery)
    return Asked(notices=tuple(notices), events=tuple(events), facts=facts, said=said, delivery=later)


def quiet_note(plan: Plan, asked: Asked, basis: Basis, stands_until: datetime | None) -> Quiet | None:
    """The note on a plan of which nothing more is asked until a moment, once what is asked now is sent. See `Quiet`.

    asked: what is asked now.
    """
    now_utc, policy = basis.now_utc, basis.policy
    if stands_until is None or stands_until < now_utc:
        return None
    until, moments = stands_until, set[datetime]()
    if any(fact.pending for fact in asked.facts):
        if waits(plan, now_utc, policy):
            end = plan.depart_at - policy.before_rolling
        else:
            end, moments = policy.quiet_changes_at(now_utc, plan.depart_zone), {now_utc}
        until = min(until, end - timedelta.resolution)
    sent = {"said": asked.said, "delivery": asked.delivery}
    for moment in sorted({*moments, until}):
        # Without the times of recent messages, the limit of messages holds none back.
        later = asked_of(plan, replace(basis, now_utc=moment, before=sent, notified=()))
        if not later.is_nothing(sent):
            return None
    digest = digest_of_sent(asked.said, asked.delivery)
    return Quiet(digest=digest, policy=policy, facts=later.facts, until=until)


def _not_ahead(facts: tuple[SentFact, ...], now_utc: datetime) -> tuple[SentFact, ...]:
    """Return the facts without times of the future, which a clock that was ahead left."""

    def right(one: SentFact) -> SentFact:
        times = (one.sent_at, one.milder_since)
        if all(at is None or at <= now_utc for at in times):
            return one
        sent_at, since = times
        return replace(
            one,
            sent_at=None if sent_at is None else min(sent_at, now_utc),
            milder_since=None if since is None or since > now_utc else since,
        )

    return tuple(map(right, facts))
