"""The operator's settings file as its keys stand there, in the reader's units."""

from typing import Annotated, Any, Final, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import Field, field_validator, model_validator

from alertd.plan.params import PlanParams
from alertd.service.noticesfile import NoticesFile, local_clock
from alertd.service.pace import HttpLimitsFile
from alertd.service.ways import ConsoleFile, GatewayFile, MailFile
from alertd.sources.inorder import Ceiling, Pair, in_order
from alertd.sources.tomlfile import FileModel
from alertd.units import MILE_M, to_mps


class OperatorFile(FileModel):
    fleet: str = Field(min_length=1, examples=["Example fleet"])
    contact: str = ""
    noncommercial_use: bool = False


class PlacesFile(FileModel):
    boundaries: list[str] = Field(min_length=1, examples=[["boundaries/us_states.topo.json"]])
    crossings: str = ""
    summits: str = ""
    limits: str = ""
    stops: list[str] = Field(default_factory=list)
    bridges: str = ""
    zones: str = ""
    heights: str = ""
    rules: str = Field("rules", examples=["rules"])
    rigs: str = Field("rigs", examples=["rigs"])
    routes: str = Field("routes", examples=["routes"])
    feeds: str = Field("", examples=["feeds"])


ForecastSource = Literal["nws", "open-meteo", "open-meteo-ensemble", "met-norway"]
Weight = Annotated[float, Field(gt=0.0, le=100.0)]


class ForecastFile(FileModel):
    sources: list[ForecastSource] = Field(min_length=1, examples=[["nws"]])
    weights: dict[ForecastSource, Weight] = Field(default_factory=dict, examples=[{"nws": 1.0}])
    members: int = Field(31, ge=5, le=200)
    seed: int = Field(1, ge=0)
    stale_h: float = Field(6.0, gt=0, le=48)
    nws_url: str = "https://api.weather.gov"
    alerts: bool = True
    observations: bool = False
    metar_url: str = "https://aviationweather.gov"
    station_correction: bool = False
    alerts_area: list[Annotated[str, Field(pattern=r"^[A-Z]{2}$", examples=["WA"])]] = Field(default_factory=list)
    geomet_url: str = "https://api.weather.gc.ca"
    geomet_collection: str = Field("weather-alerts", pattern=r"^[A-Za-z0-9_.-]+$")
    open_meteo_url: str = "https://api.open-meteo.com"
    open_meteo_key_file: str = ""
    open_meteo_ensemble_url: str = "https://ensemble-api.open-meteo.com"
    open_meteo_ensemble_model: str = Field("", examples=["gfs_seamless"])
    open_meteo_elevation_url: str = ""
    met_norway_url: str = "https://api.met.no"
    road: str = Field("", examples=["road.toml"])


_PLAN_ORDER: Final = (
    # No setting may turn a warning off.
    Ceiling(
        key="ready_probability",
        most=PlanParams().unknown_probability,
        why='an unknown road on a grade counts for that, and has to be "be ready"',
    ),
    Ceiling(
        key="chain_probability", most=0.7, why="our estimates of posting go no higher, so chains are never planned"
    ),
    Ceiling(key="hold_probability", most=0.5, why="a truck that more likely slips than not would be sent on"),
    Pair(low="ready_probability", high="chain_probability", why="chains would be planned before anyone is to be ready"),
    Pair(low="hold_probability", high="chain_probability", why="to slip with chains on is worse than to need them"),
    Pair(low="chained_bare_mph", high="chained_mph", why="chains on bare road allow no more speed than on snow"),
    Pair(low="chained_mph", high="cruise_mph", why="chains allow no more speed than none"),
)


class PlanFile(FileModel):
    chain_probability: float = Field(0.5, gt=0.0, lt=1.0)
    ready_probability: float = Field(0.15, gt=0.0, lt=1.0)
    hold_probability: float = Field(0.3, gt=0.0, lt=1.0)
    ice_least_miles: float = Field(2.0, ge=0.0, le=20.0)
    cruise_mph: float = Field(62.0, ge=30, le=80)
    chained_mph: float = Field(25.0, gt=0, le=30)  # nobody may set more than the trade's ceiling of 30
    chained_bare_mph: float = Field(20.0, gt=0, le=20)
    minutes_per_chain: float = Field(10.0, ge=0, le=60)
    minutes_hang_at_least: float = Field(30.0, ge=0, le=240)
    minutes_remove: float = Field(20.0, ge=0, le=240)
    stop_min_spaces: int = Field(3, ge=1, le=100)
    compare_departures_h: float = Field(36.0, ge=0, le=48)
    posted_believed_h: float = Field(6.0, gt=0, le=48)

    @model_validator(mode="after")
    def _stand_in_order(self) -> "PlanFile":
        in_order(self, _PLAN_ORDER)
        return self

    def to_core(self, stale_h: float) -> PlanParams:
        return PlanParams(**self.chosen(stale_h))

    def chosen(self, stale_h: float) -> dict[str, Any]:
        """The parameters of a plan that an operator sets, by their names in PlanParams."""
        return dict(
            chain_probability=self.chain_probability,
            ready_probability=self.ready_probability,
            hold_probability=self.hold_probability,
            ice_least_m=self.ice_least_miles * MILE_M,
            cruise_mps=to_mps(self.cruise_mph),
            chained_mps=to_mps(self.chained_mph),
            chained_bare_mps=to_mps(self.chained_bare_mph),
            hang_s_per_chain=self.minutes_per_chain * 60.0,
            hang_min_s=self.minutes_hang_at_least * 60.0,
            remove_s=self.minutes_remove * 60.0,
            stop_min_spaces=self.stop_min_spaces,
            compare_h=self.compare_departures_h,
            posted_believed_h=self.posted_believed_h,
            stale_forecast_h=stale_h,
        )


class KeepDaysFile(FileModel):
    positions: int = Field(14, ge=5, le=3660)
    plans: int = Field(14, ge=1, le=3660)
    trips: int = Field(60, ge=7, le=3660)
    reports: int = Field(730, ge=7, le=36600)

    @model_validator(mode="after")
    def _stand_in_order(self) -> "KeepDaysFile":
        in_order(
            self,
            (
                Pair(low="plans", high="trips", why="a plan would outlive its trip"),
                Pair(low="trips", high="reports", why="reports prove what was done on a trip"),
            ),
        )
        return self


class DaemonFile(FileModel):
    store: str = Field(min_length=1, examples=["../var/alertd.db"])
    store_password_file: str = ""
    takeover_s: float = Field(15.0, ge=1, le=60)
    keep_days: KeepDaysFile = KeepDaysFile()
    cache: str = Field(examples=["../var/http"])
    archive: str | None = Field(None, examples=["../var/archive"])
    archive_days: int = Field(14, ge=1, le=3660)
    trips: str = ""
    plan_every_min: int = Field(30, ge=1, le=360)
    look_ahead_h: float = Field(36.0, gt=0, le=96)
    brief_at: str = Field("04:30", examples=["04:30"])
    brief_zone: str = Field("America/Denver", examples=["America/Denver"])
    http_host: str = "127.0.0.1"
    http_port: int = Field(8631, ge=0, le=65535)
    http_token_file: str = ""
    http_names: list[Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]+$", examples=["alertd.fleet.example"])]] = Field(
        default_factory=list
    )
    log: Literal["text", "json"] = "text"
    http_limits: HttpLimitsFile = HttpLimitsFile()
    public_url: str = Field("", pattern=r"^(https?://[^\s/]+(/[^\s?#]*)?)?$", examples=["https://trips.fleet.example"])
    links_key_file: str = ""
    heartbeat_url: str = Field("", examples=["https://watchdog.example/alertd"])
    heartbeat_allow_networks: list[str] = Field(default_factory=list)

    _is_clock = field_validator("brief_at")(local_clock)

    @field_validator("brief_zone")
    @classmethod
    def _is_zone(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError):
            raise ValueError(f'"{value}" is no time zone; write an IANA name, e.g. "America/Denver"') from None
        return value


class WebhookFile(FileModel):
    name: str = Field(min_length=1, pattern=r"^[A-Za-z0-9_-]+$", examples=["tms"])
    url: str = Field(examples=["https://fleet.example/alertd"])
    secret_file: str = Field(examples=["secrets/tms.txt"])
    envelope: Literal["plain", "cloudevents"] = "plain"
    token_file: str = ""
    audiences: list[Literal["driver", "dispatcher", "fleet"]] = Field(min_length=1, examples=[["fleet"]])
    allow_networks: list[str] = Field(default_factory=list)


class FolderFile(FileModel):
    name: str = Field(min_length=1, pattern=r"^[A-Za-z0-9_-]+$", examples=["spool"])
    path: str = Field(examples=["../var/spool"])
    audiences: list[Literal["driver", "dispatcher", "fleet"]] = Field(min_length=1, examples=[["driver"]])


_ACROSS_PARTS: Final = (
    Pair(
        low="notices.chain_cleared_probability",
        high="plan.chain_probability",
        strictly=True,
        why="a stretch would be eased at the odds at which it is raised",
    ),
    Pair(
        low="notices.ready_cleared_probability",
        high="plan.ready_probability",
        strictly=True,
        why="a stretch would be eased at the odds at which it is raised",
    ),
    Pair(
        low="daemon.plan_every_min",
        high="forecast.stale_h",
        per_high=60.0,
        why="every forecast would be old before the next one is asked for",
    ),
    Pair(
        low="daemon.plan_every_min",
        high="plan.posted_believed_h",
        per_high=60.0,
        why="a posted control would fade out before its source is read again",
    ),
    Pair(
        low="daemon.plan_every_min",
        high="daemon.look_ahead_h",
        per_high=60.0,
        why="a trip could leave between two plans and have none",
    ),
    Pair(
        low="notices.early_h",
        high="daemon.look_ahead_h",
        why="the early notice is due before the trip is planned",
    ),
)


class SettingsFile(FileModel):
    operator: OperatorFile
    places: PlacesFile
    forecast: ForecastFile
    plan: PlanFile = PlanFile()
    notices: NoticesFile = NoticesFile()
    daemon: DaemonFile
    webhook: list[WebhookFile] = Field(default_factory=list)
    folder: list[FolderFile] = Field(default_factory=list)
    mail: list[MailFile] = Field(default_factory=list)
    gateway: list[GatewayFile] = Field(default_factory=list)
    console: list[ConsoleFile] = Field(default_factory=list)

    @model_validator(mode="after")
    def _parts_stand_in_order(self) -> "SettingsFile":
        in_order(self, _ACROSS_PARTS)
        return self
