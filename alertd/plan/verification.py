"""Decides from the available evidence what happened: the rules for scoring a forecast.

Missing evidence does not prove that nothing happened. Where the evidence is inconclusive the answer is None with the
reason, and the case is counted and excluded. All thresholds here are our own choice.
"""

from dataclasses import dataclass
from typing import Final

from alertd.forecast.observations import Phenomenon, StationReport

# Falling or drifting, these make a road white or glazed where the air is no warmer than MELTS_C.
FROZEN_PHENOMENA: Final = frozenset(
    {
        Phenomenon.FREEZING_RAIN, Phenomenon.FREEZING_DRIZZLE, Phenomenon.SNOW, Phenomenon.SNOW_GRAINS,
        Phenomenon.SNOW_PELLETS, Phenomenon.ICE_PELLETS,
        Phenomenon.BLOWING_SNOW, Phenomenon.DRIFTING_SNOW,
    }
)  # fmt: skip
MELTS_C: Final = 1.0
BARE_FROM_C: Final = 3.0

CHAINS_RULE: Final = (
    "Chains were needed on a trip when its driver reported them on, or when a posted control that asks them of this "
    "rig stood when the truck came. They were not when neither is so, the truck was seen past the place, and somebody "
    "would have said otherwise: its driver reported or confirmed something on that trip, or the control there was "
    "posted as none. All else is not known. Chains hung in vain count as needed, chains hung and not reported as not "
    "needed; and a plan of the last hours may already know the sign it is held against."
)
ROAD_RULE: Final = (
    "At weather stations within 10 km of the road and 150 m of its height, at the hour when the truck was expected "
    f"there: winter weather when snow or freezing rain fell or drifted at {MELTS_C:g} °C or colder; none when nothing "
    f"of that kind was seen at {BARE_FROM_C:g} °C or warmer. All else is not known, since no station sees what lies on "
    "a road. So cold and dry hours are left out, and with them ice from before."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The outcome of a case.

    happened: None where unknown.
    because: the reason in words.
    """

    happened: bool | None
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TripEvidence:
    """Evidence of a trip about chains at a place.

    chained: chains were reported on.
    sign: a posted control that requires chains of this rig applied.
    none_posted: "none posted" was posted.
    passed: the truck was seen past the place.
    advised: its driver reported or confirmed anything on the trip.
    """

    chained: bool = False
    sign: bool = False
    none_posted: bool = False
    passed: bool = False
    advised: bool = False


def chains_needed(evidence: TripEvidence) -> Verdict:
    """Outcome by CHAINS_RULE."""
    if evidence.chained:
        return Verdict(happened=True, because="chains reported on")
    if evidence.sign:
        return Verdict(happened=True, because="a posted control asked for them")
    if not evidence.passed:
        return Verdict(happened=None, because="the truck was not seen past the place")
    if evidence.none_posted:
        return Verdict(happened=False, because="passed, and none was posted")
    if evidence.advised:
        return Verdict(happened=False, because="passed, and its driver reported no chains")
    return Verdict(happened=None, because="its driver reported nothing on the trip")


def winter_weather(report: StationReport | None) -> Verdict:
    """Outcome by ROAD_RULE, from the report nearest to the hour; None without a report."""
    if report is None:
        return Verdict(happened=None, because="no station reported at that hour")
    if report.weather is None:
        return Verdict(happened=None, because="the station does not say what fell")
    white = FROZEN_PHENOMENA.intersection(report.weather)
    if white and not report.air_temp_c > MELTS_C:
        return Verdict(happened=True, because=f"{min(white)} seen")
    if white:
        return Verdict(happened=None, because="snow seen in air that melts it")
    if report.air_temp_c >= BARE_FROM_C:
        return Verdict(happened=False, because="nothing of the kind seen, and no frost")
    return Verdict(happened=None, because="cold, and what lay on the road is not known")
