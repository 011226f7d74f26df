"""What the plan's own run met at one place of the road, member by member."""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.need import chained_share
from alertd.plan.run import Corridor, Run
from alertd.road.corridor import hour_met
from alertd.road.grip import grip_margin
from alertd.road.state import RoadClass
from alertd.rules.demand import TireDemand
from alertd.rules.law import ControlLevel
from alertd.rules.rig import AxleRole, Rig, Tire

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LevelMet:
    """A level that asks tires of this rig here, and our estimate of its posting in each member, (member,)."""

    jurisdiction: str
    level: ControlLevel
    demand: TireDemand
    chance: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Met:
    """One sample. Arrays (member,): arrival_epoch_s and the hour of the road field that stands for it, by the plan's
    own clock; class, friction and need as the plan counts them, which may be those of a driver held up by chains
    before. no_rules: jurisdictions here without a rule set.
    """

    arrival_epoch_s: Array
    hour: NDArray[np.int64]
    road_class: NDArray[np.int8]
    mu: Array
    need: Array
    levels: tuple[LevelMet, ...]
    no_rules: tuple[str, ...]

    @property
    def unknown(self) -> NDArray[np.bool_]:
        return np.asarray(self.road_class == RoadClass.UNKNOWN)


def met_at(run: Run, corridor: Corridor, sample: int) -> Met:
    """The run at one sample of its route."""
    arrivals = run.arrivals[:, sample]
    here = [law for law in run.need.laws if law.inside[sample]]
    return Met(
        arrival_epoch_s=arrivals,
        hour=hour_met(corridor.field, arrivals)[1],
        road_class=run.state.road_class[:, sample],
        mu=run.state.mu[:, sample],
        need=run.need.need[:, sample],
        levels=tuple(
            LevelMet(jurisdiction=law.span.code, level=level, demand=demand, chance=chance[:, sample])
            for law, level, demand, chance in run.need.by_level
            if law in here
        ),
        no_rules=tuple(law.span.code or law.span.name for law in here if law.rules is None),
    )


def margin_at(met: Met, grade: float, rig: Rig, tires: tuple[Tire, ...]) -> Array:
    """Friction at hand less friction needed with chains on these tires, (member,): to climb, or to hold by braking."""
    margin = grip_margin(
        met.road_class,
        met.mu,
        grade,
        rig.drive_share,
        chained_drive_share=chained_share(rig, tires, (AxleRole.DRIVE,)),
        chained_share=chained_share(rig, tires, tuple(AxleRole)),
    )
    return margin.drive if grade > 0 else margin.brake
