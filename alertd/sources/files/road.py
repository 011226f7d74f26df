"""Reads an operator's road parameters (TOML). Keys that are omitted keep their defaults."""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Literal, TypeAlias

from pydantic import Field, model_validator

from alertd.forecast.ensemble import Spreads
from alertd.road.downscale import AIR, AirParams
from alertd.road.lane.maintenance import SERVICES, Service, Services
from alertd.road.parameters import BRIDGE_DECK, ROAD, SurfaceParams, deck_of
from alertd.road.precip_phase import MOUNTAIN_REPORTS, Calibration
from alertd.road.road_class import LIMITS, ClassLimits
from alertd.sources.files.ordering import Pair, in_order
from alertd.sources.files.toml import FieldError, FileModel, read_toml

SPREADS: Final = Spreads()
SERVICES_ALIKE: Final = Services()


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadSettings:
    """Every parameter between a forecast and a road's state, with defaults."""

    surface: SurfaceParams = ROAD
    deck: SurfaceParams = BRIDGE_DECK
    limits: ClassLimits = LIMITS
    air: AirParams = AIR
    spreads: Spreads = SPREADS
    services: Services = SERVICES_ALIKE


class PhaseFile(FileModel):
    """Calibration of the precipitation phase model."""

    calibrated: bool = True
    shift: float = Field(MOUNTAIN_REPORTS.shift, ge=-3, le=3)
    slope: float = Field(MOUNTAIN_REPORTS.slope, gt=0, le=2)
    dry_per_k: float = Field(MOUNTAIN_REPORTS.dry_per_k, ge=0, le=1)
    depression_max_k: float = Field(MOUNTAIN_REPORTS.depression_max_k, ge=0, le=10)


class SurfaceFile(FileModel):
    """Bounds are the ranges of handbooks and measurements, to catch typing errors."""

    pavement_k_wmk: float = Field(ROAD.pavement_k_wmk, ge=0.5, le=3.0)
    pavement_c_jm3k: float = Field(ROAD.pavement_c_jm3k, ge=0.7e6, le=3.0e6)
    albedo: float = Field(ROAD.albedo, ge=0.03, le=0.4)
    snow_albedo: float = Field(ROAD.snow_albedo, ge=0.4, le=0.9)
    emissivity: float = Field(ROAD.emissivity, ge=0.85, le=1.0)
    roughness_m: float = Field(ROAD.roughness_m, ge=1e-4, le=1e-2)
    heat_roughness_m: float = Field(ROAD.heat_roughness_m, ge=1e-5, le=1e-2)
    wind_floor_mps: float = Field(ROAD.wind_floor_mps, ge=0.3, le=3.0)
    sky_view_frac: float = Field(ROAD.sky_view_frac, ge=0.2, le=1.0)
    deep_surplus_k: float = Field(ROAD.deep_surplus_k, ge=-5, le=15)
    film_mmwe: float = Field(ROAD.film_mmwe, ge=0.1, le=2.0)
    traffic_heat_wm2: float = Field(ROAD.traffic_heat_wm2, ge=0, le=20)
    traffic_vph: float = Field(ROAD.traffic_vph, ge=0, le=3000)
    traffic_clearing: float = Field(ROAD.traffic_clearing, ge=0, le=0.05)
    traffic_packing_frac: float = Field(ROAD.traffic_packing_frac, ge=0, le=1)

    @model_validator(mode="after")
    def _in_order(self) -> "SurfaceFile":
        in_order(self, (Pair(low="heat_roughness_m", high="roughness_m", why="heat is exchanged less than momentum"),))
        return self


class DeckFile(FileModel):
    """Parameters of bridge decks; all others are the road's. The last three also default to the road's."""

    thickness_m: float = Field(0.20, ge=0.13, le=0.4)
    pavement_k_wmk: float = Field(BRIDGE_DECK.pavement_k_wmk, ge=0.5, le=3.0)
    pavement_c_jm3k: float = Field(BRIDGE_DECK.pavement_c_jm3k, ge=0.7e6, le=3.0e6)
    underside_wm2k: float = Field(BRIDGE_DECK.underside_wm2k, gt=0, le=20)
    albedo: float | None = Field(None, ge=0.03, le=0.4)
    emissivity: float | None = Field(None, ge=0.85, le=1.0)
    sky_view_frac: float | None = Field(None, ge=0.2, le=1.0)


ServiceName: TypeAlias = Literal["motorway", "trunk", "secondary", "none"]


class ServiceClassFile(FileModel):
    """Winter maintenance of a class of roads. A value that is left out keeps that of the class."""

    # Not above 0.9: an uncleared road must stay likely enough to be seen in the plan.
    serviced_frac: float | None = Field(None, ge=0, le=0.9)
    half_life_h: float | None = Field(None, ge=0.25, le=48)
    night_factor: float | None = Field(None, ge=1, le=10)
    traffic_vph: float | None = Field(None, ge=0, le=3000)

    def over(self, usual: Service) -> Service:
        """The values of the class with those of the file."""
        return replace(usual, **self.model_dump(exclude_none=True))


class ServiceFile(FileModel):
    """Winter maintenance by class of road, and the class of each route."""

    usual: ServiceName = "trunk"
    roads: dict[str, ServiceName] = Field(default_factory=dict)
    motorway: ServiceClassFile = ServiceClassFile()
    trunk: ServiceClassFile = ServiceClassFile()
    secondary: ServiceClassFile = ServiceClassFile()
    none: ServiceClassFile = ServiceClassFile()

    def services(self) -> Services:
        """The maintenance of all routes."""
        by_name = {name: getattr(self, name).over(usual) for name, usual in SERVICES.items()}
        return Services(
            usual=by_name[self.usual], by_route={route: by_name[name] for route, name in self.roads.items()}
        )


class SunFile(FileModel):
    """Terrain shading of the sun."""

    shaded: bool = AIR.shaded
    horizon_deg: float = Field(AIR.horizon_deg, ge=0, le=60)
    direct_frac: float = Field(AIR.direct_frac, ge=0, le=1)


_CLASS_ORDER: Final = (
    Pair(low="moist_mmwe", high="wet_mmwe", why="a moist road would be wet first"),
    Pair(low="rime_mmwe", high="ice_mmwe", why="ice would be named before frost"),
    Pair(low="ice_mmwe", high="wet_mmwe", why="a wet road that freezes would not be ice"),
    Pair(low="rime_mmwe", high="snow_mmwe", why="snow would be named before a dusting"),
    Pair(low="snow_mmwe", high="thin_snow_mmwe", why="no snow would be thin enough to feel the ice beneath"),
    Pair(low="packed_mmwe", high="thin_snow_mmwe", why="no packed snow would be thin enough to feel the ice beneath"),
    Pair(low="snow_mmwe", high="unseen_snow_mmwe", why="the unseen snow would be too little to be snow"),
)


class ClassesFile(FileModel):
    """Limits between road classes, in mm of water equivalent."""

    moist_mmwe: float = Field(LIMITS.moist_mmwe, gt=0, le=1)
    wet_mmwe: float = Field(LIMITS.wet_mmwe, gt=0, le=1)
    rime_mmwe: float = Field(LIMITS.rime_mmwe, gt=0, le=1)
    ice_mmwe: float = Field(LIMITS.ice_mmwe, gt=0, le=1)
    snow_mmwe: float = Field(LIMITS.snow_mmwe, gt=0, le=3)
    packed_mmwe: float = Field(LIMITS.packed_mmwe, gt=0, le=10)
    thin_snow_mmwe: float = Field(LIMITS.thin_snow_mmwe, ge=1, le=20)
    unseen_snow_mmwe: float = Field(LIMITS.unseen_snow_mmwe, ge=1, le=50)

    @model_validator(mode="after")
    def _in_order(self) -> "ClassesFile":
        in_order(self, _CLASS_ORDER)
        return self


class SpreadFile(FileModel):
    """Standard deviations of the ensemble by lead time."""

    lead_h: list[float] = Field(list(SPREADS.lead_h), min_length=1, examples=[list(SPREADS.lead_h)])
    air_temp_c: list[float] = Field(list(SPREADS.air_temp_c), min_length=1, examples=[list(SPREADS.air_temp_c)])
    past_air_temp_c: float = Field(SPREADS.past_air_temp_c, ge=0, le=5)
    cloud_frac: float = Field(SPREADS.cloud_frac, ge=0, le=1)
    precip_log: float = Field(SPREADS.precip_log, ge=0, le=2)
    onset_h: float = Field(SPREADS.onset_h, ge=0, le=6)
    onset_share: float = Field(SPREADS.onset_share, ge=0, le=0.5)
    height_k_per_km: float = Field(AIR.height_sigma_k_per_km, ge=0, le=6)
    height_wet_k_per_km: float = Field(AIR.height_sigma_wet_k_per_km, ge=0, le=6)

    @model_validator(mode="after")
    def _fits(self) -> "SpreadFile":
        if len(self.lead_h) != len(self.air_temp_c):
            raise FieldError(
                "air_temp_c", f"{len(self.air_temp_c)} spreads for {len(self.lead_h)} lead times", "give one for each"
            )
        if any(b <= a for a, b in zip(self.lead_h, self.lead_h[1:], strict=False)):
            raise FieldError("lead_h", "lead times do not increase", "write them from short to long")
        if min(self.air_temp_c) < 0.0:
            raise FieldError("air_temp_c", "a spread below 0", "write standard deviations in K, 0 or more")
        if any(b < a for a, b in zip(self.air_temp_c, self.air_temp_c[1:], strict=False)):
            raise FieldError("air_temp_c", "a spread decreases with lead time", "write them from small to large")
        if self.past_air_temp_c > self.air_temp_c[0]:
            problem = f"{self.past_air_temp_c:g} is above the first of air_temp_c, {self.air_temp_c[0]:g}"
            raise FieldError("past_air_temp_c", problem, f"write at most {self.air_temp_c[0]:g}")
        return self


class RoadFile(FileModel):
    """Contents of a road file."""

    phase: PhaseFile = PhaseFile()
    surface: SurfaceFile = SurfaceFile()
    deck: DeckFile = DeckFile()
    service: ServiceFile = ServiceFile()
    sun: SunFile = SunFile()
    classes: ClassesFile = ClassesFile()
    spread: SpreadFile = SpreadFile()

    @model_validator(mode="after")
    def _parts_in_order(self) -> "RoadFile":
        in_order(
            self, (Pair(low="classes.wet_mmwe", high="surface.film_mmwe", why="no road could hold enough to be wet"),)
        )
        return self


def read_road(path: Path) -> RoadSettings:
    """Read a road file. Raises ConfigError, one line per error."""
    file = read_toml(path, RoadFile)
    calibration = file.phase.model_dump(exclude={"calibrated"})
    spread = file.spread
    surface = replace(ROAD, **file.surface.model_dump())
    return RoadSettings(
        surface=surface,
        deck=deck_of(surface, **file.deck.model_dump(exclude_none=True)),
        limits=replace(LIMITS, **file.classes.model_dump()),
        air=replace(
            AIR,
            calibration=Calibration(**calibration) if file.phase.calibrated else None,
            height_sigma_k_per_km=spread.height_k_per_km,
            height_sigma_wet_k_per_km=spread.height_wet_k_per_km,
            **file.sun.model_dump(),
        ),
        spreads=Spreads(
            lead_h=tuple(spread.lead_h),
            air_temp_c=tuple(spread.air_temp_c),
            past_air_temp_c=spread.past_air_temp_c,
            cloud_frac=spread.cloud_frac,
            precip_log=spread.precip_log,
            onset_h=spread.onset_h,
            onset_share=spread.onset_share,
        ),
        services=file.service.services(),
    )
