"""The steps from API value to advice at one place, as values in the order of the computation."""

from dataclasses import dataclass
from datetime import datetime

from alertd.plan.describe.lanes import LaneSurfaces
from alertd.plan.explain.members import ChainChoice, MemberAtPlace
from alertd.plan.explain.posting import PostingAtPlace
from alertd.plan.model.stretches import Advice
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """The 10th, 50th and 90th percentiles of the members, NaN where none is known, and the share of known ones."""

    low: float
    median: float
    high: float
    known_frac: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceValues:
    """The values of one source for the place and hour, units checked, without errors added; NaN where it has none.

    lat_deg, lon_deg: the place asked for, away_m from the road's sample here. elevation_m: the height of its
    temperature. The values are those of the hour from hour_start. remarks: reasons for gaps there.
    """

    provider: str
    licence: str
    issued_at: datetime | None
    fetched_at: datetime
    age_h: float
    served_stale: bool
    lat_deg: float
    lon_deg: float
    away_m: float
    elevation_m: float
    hour_start: datetime
    air_temp_c: float
    rh_frac: float
    wind_mps: float
    cloud_frac: float
    precip_mmwe_h: float
    precip_prob_frac: float
    freezing_level_m: float
    snow_level_m: float
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PastSpan:
    """Past hours in a row at a place, and what they rest on.

    basis: name of a `forecast.past.PastBasis`. station: the one with the most weight, "" where there is none; away_m
    and higher_m: from the forecast cell to it. issued_at: of the first of the earlier forecasts.
    """

    begins_at: datetime
    ends_at: datetime
    basis: str
    station: str = ""
    away_m: float = float("nan")
    higher_m: float = float("nan")
    issued_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AirAtPlace:
    """The air of the members, first at the cell's height, then at the road's; see `road.trace.AirTrace`.

    rules: how temperature was moved between the two heights, and in what share of members.
    """

    cell_elevation_m: float
    road_elevation_m: float
    cell_air_temp_c: Spread
    cell_rh_frac: Spread
    wind_mps: Spread
    cloud_frac: Spread
    precip_mmwe_h: Spread
    rules: tuple[tuple[str, float], ...]
    lapse_k_per_km: Spread
    air_temp_c: Spread
    rh_frac: Spread
    wet_bulb_c: Spread
    jennings_frac: Spread
    wang_frac: Spread
    jennings_calibrated_frac: Spread
    wang_calibrated_frac: Spread
    snow_chance_frac: Spread
    snow_mmwe_h: Spread
    rain_mmwe_h: Spread
    freezing_mmwe_h: Spread


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnHour:
    """The pavement at a whole hour. `member_*` are of the one member whose road is the most ordinary when passed:
    nearest to the middle of all in surface temperature and in snow and ice."""

    at: datetime
    member_class: str
    member_surface_temp_c: float
    member_water_mmwe: float
    member_snow_mmwe: float
    member_ice_mmwe: float
    surface_temp_c: Spread
    water_mmwe: Spread
    snow_mmwe: Spread
    ice_mmwe: Spread


@dataclass(frozen=True, slots=True, kw_only=True)
class GripAtPlace:
    """Friction at hand and needed by this rig on a section: to climb where grade is positive, else to hold by braking.

    grade: the steepest sustained grade of the section, up or down; see `route.sustained_grade`.

    chained_*: with the chains that the stretch asks for. short: share of members in which it does not do.
    """

    distance_m: float
    grade: float
    mu: Spread
    needed_mu: Spread
    chained_needed_mu: Spread
    short_frac: float
    chained_short_frac: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelAtPlace:
    """Our estimate that a level is posted: at this place, and anywhere on the stretch (None where it is too unlikely to
    be ready for). section: of the law it would invoke. posted_by: who says that it is posted at the truck's hour, ""
    where our estimate alone speaks; posted_since: since when, None where not said."""

    jurisdiction: str
    level_id: str
    legal_name: str
    section: str
    tires_n: int
    here_frac: float
    stretch_frac: float | None
    posted_by: str = ""
    posted_since: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ThresholdCheck:
    """A number of the plan beside the threshold that it is held against: a field of PlanParams, or `chain_worth`."""

    what: str
    value: float
    threshold: str
    limit: float

    @property
    def reached(self) -> bool:
        return self.value >= self.limit - SAME_PROBABILITY


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """One place.

    passing: when 10, 50 and 90 % of members pass it.
    lanes: classes here when passed, on a cleared road and on one that nobody ploughs or salts.
    stretch: its index in the plan, None if in none.
    past: what the hours before the plan rest on, in order.
    descent_frac: share of drivers who chain for its long descent in snow, see `long_descents`.
    members: every member here. choice: of the stretch, None in none.
    advice: that of the stretch; that of the trip where the place is in none.
    """

    distance_m: float
    lat_deg: float
    lon_deg: float
    elevation_m: float
    zone: str
    passing: tuple[datetime, datetime, datetime]
    sources: tuple[SourceValues, ...]
    air: AirAtPlace
    column: tuple[ColumnHour, ...]
    surfaces: tuple[tuple[str, float], ...]
    lanes: LaneSurfaces
    grip: tuple[GripAtPlace, ...]
    levels: tuple[LevelAtPlace, ...]
    posting: PostingAtPlace
    descent_frac: float
    no_rules: tuple[str, ...]
    need_frac: float
    stretch: int | None
    stretch_surfaces: tuple[tuple[str, float], ...]
    compared: tuple[ThresholdCheck, ...]
    barred: str
    advice: Advice
    members: tuple[MemberAtPlace, ...]
    choice: ChainChoice | None
    past: tuple[PastSpan, ...] = ()
