"""Plans on which another process has decided, and what it decides from."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from alertd.errors import InputError
from alertd.plan.model.plan import Along, Plan
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
    """A plan, and the decision on it, which holds for a basis of the same digest only.

    standing: None for a plan that time changes. rest: what the packed plan of the decision lacks, in bytes: the columns
    along the road without rounding, or the plan itself where people see it raised.
    """

    decision: Decision
    basis: bytes
    standing: Standing | None
    rest: bytes

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
        """The plan without its other departures. Raises InputError."""
        rest = read_value(self.rest)
        if isinstance(rest, Along):
            return replace(self.decision.held.unpack(), along=rest)
        if not isinstance(rest, Plan):
            raise InputError("planning data", "", "holds no plan", "run the same version of alertd in all processes")
        return rest


def decided(trip: TripRequest, plan: Plan, inputs: TripInput, deciding: Deciding) -> Plan | DecidedPlan:
    """The plan with the decision on it; the plan itself where its trip has no basis."""
    basis = deciding.bases.get(trip.id)
    if basis is None:
        return plan
    standing = standing_of(trip, inputs, plan)
    until = None if standing is None or deciding.longest is None else standing.quiet_until(deciding.longest)
    decision = decide(plan, basis, until)
    rest = replace(plan, departures=()) if decision.held.upheld else plan.along
    return DecidedPlan(decision=decision, basis=basis.digest, standing=standing, rest=value_to_bytes(rest))
