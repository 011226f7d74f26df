"""Weighs a change of what was sent by what it means for the driver: more or sooner, or only other."""

from collections.abc import Sequence
from typing import Final

from alertd.notices.policy import Policy
from alertd.notices.sent_state import OfficeAlarm, SentFact
from alertd.plan.chain_up.unlisted_places import is_unlisted
from alertd.units import MILE_M

# Assumed: two mileposts. A driver who looks for the earlier place finds the other one, and has not passed it.
EARLIER_M: Final = 2.0 * MILE_M


def asks_more(now: SentFact, was: SentFact) -> bool:
    """Whether the driver must do more than was sent: stricter advice, more tires, or more chains than are on board."""
    if now.advice.rank > was.advice.rank or now.singles_short > was.singles_short:
        return True
    return now.tires_n > was.tires_n if was.tires_n else now.tires != was.tires


def asks_sooner(now: SentFact, was: SentFact) -> bool:
    """Whether a driver who keeps to what was sent acts too late.

    Chains go on earlier along the road than was sent, or at a place that is not listed instead of a listed one. A place
    nearer the snow costs only chained miles. Where the earlier distance is not stored, the time decides.
    """
    if not now.same_place(was):
        if not _is_listed(now) and _is_listed(was):
            return True
        if now.up_m is not None and was.up_m is not None:
            return now.up_m < was.up_m - EARLIER_M
    return now.at < was.at


def _is_listed(row: SentFact) -> bool:
    return row.stop_id != "" and not is_unlisted(row.stop_id)


def is_worse(now: SentFact, was: SentFact) -> bool:
    """Whether a change is bad news: more to do, or sooner."""
    return asks_more(now, was) or asks_sooner(now, was)


def new_alarms(due: Sequence[OfficeAlarm], had: Sequence[OfficeAlarm], policy: Policy) -> tuple[OfficeAlarm, ...]:
    """Return the reasons to send the office a message alone that it has not had, or that are graver or come earlier.

    A moment that is earlier by less than the policy's least gap is no other moment.
    """

    def is_known(now: OfficeAlarm) -> bool:
        return any(a.reason == now.reason and a.weight >= now.weight and a.at - now.at < policy.least_gap for a in had)

    return tuple(a for a in due if not is_known(a))
