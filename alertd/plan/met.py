"""What the plan's own run met at one place of the road, member by member."""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.codes import GRIP_OF_CODE
from alertd.plan.outlook import code_mu
from alertd.plan.params import PlanParams
from alertd.plan.run import Run
from alertd.plan.travel import lateness_s
from alertd.road.state import RoadClass
from alertd.rules.demand import TireDemand
from alertd.rules.law import ControlLevel

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
    """One section. Arrays (member,): arrival_epoch_s by the plan's own clock, and the hour of the road field that the
    plan took for it, which may be that of a driver held up by chains before; class, friction and need of that hour.
    no_rules: jurisdictions here without a rule set.
    """

    arrival_epoch_s: Array
    hour: NDArray[np.int64]
    road_class: NDArray[np.int8]
    grip_class: NDArray[np.int8]
    mu: Array
    need: Array
    levels: tuple[LevelMet, ...]
    no_rules: tuple[str, ...]

    @property
    def unknown(self) -> NDArray[np.bool_]:
        return np.asarray(self.road_class == RoadClass.UNKNOWN)


def met_at(run: Run, depart_epoch_s: float, distance_m: float, params: PlanParams) -> Met:
    """What the run met at one place of its route."""
    outlook, passing = run.passing.outlook, run.passing
    section = int(run.sections.at(distance_m))
    elapsed_s = run.reach_s([distance_m])
    late_s = lateness_s(elapsed_s, outlook.corridor.clock_z, params)[:, 0]
    hour, road_class = passing.hour[:, section], run.road_class[:, section]
    member = np.arange(outlook.members)
    here = [law for law in outlook.laws if law.at.start <= section < law.at.stop]
    return Met(
        arrival_epoch_s=depart_epoch_s + elapsed_s[0] + late_s,
        hour=np.minimum(hour, outlook.hours - 1) + outlook.skip_h,
        road_class=road_class,
        grip_class=GRIP_OF_CODE[run.code[:, section]],
        mu=code_mu(run.code[:, section], outlook.corridor.field.quantiles.friction),
        need=passing.need[:, section].astype(np.float64),
        levels=tuple(
            LevelMet(
                jurisdiction=law.span.code,
                level=x.level,
                demand=x.demand,
                chance=chance[member, section - law.at.start, hour].astype(np.float64),
            )
            for law, x, chance in outlook.by_level
            if law in here
        ),
        no_rules=tuple(law.span.code or law.span.name for law in here if law.rules is None),
    )
