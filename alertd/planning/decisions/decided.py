"""Plans on which another process has decided, and what it decides from."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from alertd.errors import InputError
from alertd.plan.model.plan import Plan
from alertd.plan.request import TripInput
from alertd.planning.corridors.value_bytes import read_value, value_to_bytes
from alertd.planning.decisions.decide import Basis, Decision, decide
from alertd.planning.decisions.standing import Standing, standing_of
from alertd.sources.files.trips import TripRequest


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Deciding:
    """What a process needs to decide on the plans that it makes.

    bases: by trip id; of another trip the plan itself is the answer. longest: see `Standing.last_moment`; None on a
    road whose plans are not kept. archived: whether the plans are packed for the archive too.
    """

    bases: Mapping[str, Basis]
    longest: timedelta | None
    archived: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DecidedPlan:
    """A plan in bytes, and the decision on it, which holds for a basis of the same digest only.

    standing: None for a plan that time changes.
    """

    decision: Decision
    basis: bytes
    standing: Standing | None
    whole: bytes

    @property
    def id(self) -> str:
        """The id of the plan."""
        return self.decision.held.id

    @property
    def trip_id(self) -> str:
        """The trip of the plan."""
        return self.decision.held.trip_id

    @property
    def made_at(self) -> datetime:
        """When the plan was made."""
        return self.decision.held.made_at

    def unpack(self) -> Plan:
        """The plan itself. Raises InputError."""
        plan = read_value(self.whole)
        if not isinstance(plan, Plan):
            raise InputError("planning data", "", "holds no plan", "run the same version of alertd in all processes")
        return plan


def decided(trip: TripRequest, plan: Plan, inputs: TripInput, deciding: Deciding) -> Plan | DecidedPlan:
    """The plan with the decision on it; the plan itself where its trip has no basis."""
    basis = deciding.bases.get(trip.id)
    if basis is None:
        return plan
    whole = value_to_bytes(plan)
    standing = standing_of(trip, inputs, plan)
    until = None if standing is None or deciding.longest is None else standing.last_moment(deciding.longest)
    return DecidedPlan(decision=decide(plan, basis, until), basis=basis.digest, standing=standing, whole=whole)
