"""The sections of the settings file: keys, ranges, and the order in which values must be."""

from datetime import time, timedelta
from typing import Annotated, Any, Final, Literal

from pydantic import Field, create_model, field_validator, model_validator

from alertd.i18n import Language
from alertd.local_time import zone_or_none
from alertd.notices.policy import Policy
from alertd.notices.reports.chain_log_table import COLUMNS
from alertd.notices.reports.chain_pay import PARTS, ChainPay
from alertd.plan.params import PlanParams
from alertd.settings.channels import SECTIONS
from alertd.settings.contact import contact_problem
from alertd.settings.forecast import CommonForecastFile, ForecastFile
from alertd.settings.languages import DriverLanguage, Languages, Units
from alertd.settings.model import HttpLimits
from alertd.settings.recording import RecordFile
from alertd.settings.watch import WatchFile
from alertd.sources.files.ordering import Ceiling, Pair, in_order
from alertd.sources.files.toml import FieldError, FileModel
from alertd.sources.openstreetmap.overpass import OVERPASS_URL
from alertd.units import MILE_M, to_mps


def check_local_time(value: str) -> str:
    """The value where it is a time of day without a zone. Raises ValueError naming the mend."""
    try:
        parsed = time.fromisoformat(value)
    except ValueError:
        parsed = None
    if parsed is None or parsed.tzinfo is not None:
        raise ValueError(f'"{value}" is no local time of day; write e.g. "04:30"')
    return value


_ORDER: Final = (
    Pair(
        low="ready_cleared_probability",
        high="chain_cleared_probability",
        why='"be ready" would be eased before "chain up"',
    ),
    Pair(
        low="delivery_cleared_probability",
        high="delivery_late_probability",
        strictly=True,
        why="a delivery would be on time again at the odds at which it may be late",
    ),
    Pair(low="approach_min", high="early_h", per_high=60.0, why="the last notice would come before the early one"),
    Pair(
        low="approach_min", high="quiet_yields_h", per_high=60.0, why="in quiet hours the last notice would come late"
    ),
)


class HttpLimitsFile(FileModel):
    requests_per_min: int = Field(60, ge=1, le=100_000)
    failures_per_min: int = Field(10, ge=1, le=1000)

    def to_core(self) -> HttpLimits:
        return HttpLimits(requests_per_min=self.requests_per_min, failures_per_min=self.failures_per_min)


class NoticesFile(FileModel):
    ease_after_min: float = Field(60.0, ge=0, le=720)
    ease_alone_after_min: float = Field(120.0, ge=0, le=720)
    chain_cleared_probability: float = Field(0.4, gt=0.0, lt=1.0)
    ready_cleared_probability: float = Field(0.1, gt=0.0, lt=1.0)
    least_gap_min: float = Field(30.0, ge=0, le=360)
    driver_most_an_hour: int = Field(4, ge=1, le=20)
    quiet_from: str = Field("21:00", examples=["21:00"])
    quiet_to: str = Field("04:00", examples=["04:00"])
    quiet_yields_h: float = Field(3.0, ge=1, le=12)
    outlook_at: str = Field("18:30", examples=["18:30"])
    early_h: float = Field(3.0, ge=0.5, le=12)
    approach_min: float = Field(45.0, ge=15, le=120)
    recheck_min: float = Field(20.0, ge=5, le=120)
    escalate_min: float = Field(30.0, ge=0, le=240)
    before_rolling_h: float = Field(2.0, ge=0.5, le=24)
    digest_every_h: float = Field(2.0, ge=0, le=12)
    delivery_late_min: float = Field(15.0, ge=0, le=240)
    delivery_late_probability: float = Field(0.3, gt=0.0, lt=1.0)
    delivery_cleared_probability: float = Field(0.1, gt=0.0, lt=1.0)
    delivery_step_min: float = Field(60.0, ge=15, le=480)
    tell_rolling_driver: bool = False
    driver_language: DriverLanguage = "land"
    dispatcher_language: Language = "en"
    units: Units = "land"

    _are_clocks = field_validator("quiet_from", "quiet_to", "outlook_at")(check_local_time)

    @model_validator(mode="after")
    def _stand_in_order(self) -> "NoticesFile":
        in_order(self, _ORDER)
        least_min = Policy().escalate_least.total_seconds() / 60.0
        if 0.0 < self.escalate_min < least_min:
            problem = f"{self.escalate_min:g} is below {least_min:g}, before which nobody can have read it"
            raise FieldError("escalate_min", problem, f"write at least {least_min:g}, or 0 where nobody can confirm")
        if self.to_core().quiet_at(time.fromisoformat(self.outlook_at)):
            problem = (
                f"{self.outlook_at} is in the quiet hours {self.quiet_from} to {self.quiet_to}: it would be held back"
            )
            raise FieldError("outlook_at", problem, "write a time before quiet_from")
        return self

    def languages(self) -> Languages:
        return Languages(driver=self.driver_language, office=self.dispatcher_language, units=self.units)

    def to_core(self) -> Policy:
        return Policy(
            ease_after=timedelta(minutes=self.ease_after_min),
            ease_alone_after=timedelta(minutes=self.ease_alone_after_min),
            chain_cleared_probability=self.chain_cleared_probability,
            ready_cleared_probability=self.ready_cleared_probability,
            least_gap=timedelta(minutes=self.least_gap_min),
            driver_most_an_hour=self.driver_most_an_hour,
            quiet_from=time.fromisoformat(self.quiet_from),
            quiet_to=time.fromisoformat(self.quiet_to),
            quiet_yields=timedelta(hours=self.quiet_yields_h),
            outlook_at=time.fromisoformat(self.outlook_at),
            early=timedelta(hours=self.early_h),
            approach=timedelta(minutes=self.approach_min),
            recheck_after=timedelta(minutes=self.recheck_min),
            escalate_after=timedelta(minutes=self.escalate_min),
            before_rolling=timedelta(hours=self.before_rolling_h),
            digest_every=timedelta(hours=self.digest_every_h),
            delivery_late=timedelta(minutes=self.delivery_late_min),
            delivery_late_probability=self.delivery_late_probability,
            delivery_cleared_probability=self.delivery_cleared_probability,
            delivery_step=timedelta(minutes=self.delivery_step_min),
            tell_rolling_driver=self.tell_rolling_driver,
        )


class OperatorFile(FileModel):
    fleet: str = Field(min_length=1, examples=["Example fleet"])
    contact: str = ""
    noncommercial_use: bool = False

    @field_validator("contact")
    @classmethod
    def _is_sent(cls, value: str) -> str:
        if problem := contact_problem(value):
            raise ValueError(problem)
        return value


class PlacesFile(FileModel):
    boundaries: list[str] = Field(min_length=1, examples=[["boundaries/us_states.topo.json"]])
    crossings: str = ""
    summits: str = ""
    limits: str = ""
    stops: list[str] = Field(default_factory=list)
    bridges: str = ""
    tunnels: str = ""
    truck_speeds: str = ""
    zones: str = ""
    heights: str = ""
    roadside: str = ""
    chain_areas: str = ""
    towns: str = ""
    overpass_url: str = Field(OVERPASS_URL, pattern=r"^https?://\S+$", examples=[OVERPASS_URL])
    rules: str = Field("rules", examples=["rules"])
    practice: str = ""
    rigs: str = Field("rigs", examples=["rigs"])
    routes: str = Field("routes", examples=["routes"])
    feeds: str = Field("", examples=["feeds"])
    road_stations: str = Field("", examples=["road_stations"])


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
    Pair(low="ice_least_miles", high="ice_hold_miles", why="a truck would be held without a notice of ice"),
    Pair(low="chained_bare_mph", high="chained_mph", why="chains on bare road allow no more speed than on snow"),
    Pair(low="chained_mph", high="cruise_mph", why="chains allow no more speed than none"),
)


class PlanFile(FileModel):
    chain_probability: float = Field(0.7, gt=0.0, lt=1.0)
    ready_probability: float = Field(0.15, gt=0.0, lt=1.0)
    hold_probability: float = Field(0.3, gt=0.0, lt=1.0)
    ice_least_miles: float = Field(2.0, ge=0.0, le=20.0)
    ice_hold_miles: float = Field(20.0, ge=1.0, le=500.0)
    cruise_mph: float = Field(62.0, ge=30, le=80)
    chained_mph: float = Field(25.0, gt=0, le=30)  # nobody may set more than the trade's ceiling of 30
    chained_bare_mph: float = Field(20.0, gt=0, le=20)
    minutes_per_chain: float = Field(10.0, ge=0, le=60)
    minutes_hang_at_least: float = Field(30.0, ge=0, le=240)
    minutes_remove: float = Field(20.0, ge=0, le=240)
    truck_hour_usd: float = Field(90.78, ge=10, le=1000)
    fine_usd: float = Field(579.0, ge=0, le=100_000)
    recovery_usd: float = Field(5000.0, ge=0, le=100_000)
    stop_min_spaces: int = Field(3, ge=1, le=100)
    compare_departures_h: float = Field(36.0, ge=0, le=48)
    posted_believed_h: float = Field(6.0, gt=0, le=48)

    @model_validator(mode="after")
    def _stand_in_order(self) -> "PlanFile":
        in_order(self, _PLAN_ORDER)
        return self

    def to_core(self, stale_h: float) -> PlanParams:
        return PlanParams(**self.overrides(stale_h))

    def overrides(self, stale_h: float) -> dict[str, Any]:
        """The parameters of a plan that an operator sets, by their names in PlanParams."""
        return dict(
            chain_probability=self.chain_probability,
            ready_probability=self.ready_probability,
            hold_probability=self.hold_probability,
            ice_least_m=self.ice_least_miles * MILE_M,
            ice_hold_m=self.ice_hold_miles * MILE_M,
            cruise_mps=to_mps(self.cruise_mph),
            chained_mps=to_mps(self.chained_mph),
            chained_bare_mps=to_mps(self.chained_bare_mph),
            hang_s_per_chain=self.minutes_per_chain * 60.0,
            hang_min_s=self.minutes_hang_at_least * 60.0,
            remove_s=self.minutes_remove * 60.0,
            truck_hour_usd=self.truck_hour_usd,
            fine_usd=self.fine_usd,
            recovery_usd=self.recovery_usd,
            stop_min_spaces=self.stop_min_spaces,
            compare_h=self.compare_departures_h,
            posted_believed_h=self.posted_believed_h,
            stale_forecast_h=stale_h,
        )


class KeepDaysFile(FileModel):
    positions: int = Field(14, ge=5, le=3660)
    plans: int = Field(14, ge=1, le=3660)
    every_plan: int = Field(1, ge=1, le=3660)  # [A] a day to look at what changed from hour to hour
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
    vanished_trips: Literal["cancel", "keep"] = "cancel"
    plan_every_min: int = Field(30, ge=1, le=360)
    processes: int = Field(0, ge=0, le=64)
    workers: bool = False
    look_ahead_h: float = Field(36.0, gt=0, le=96)
    brief_at: str = Field("04:30", examples=["04:30"])
    brief_zone: str = Field("America/Denver", examples=["America/Denver"])
    http_host: str = "127.0.0.1"
    http_port: int = Field(8631, ge=0, le=65535)
    http_token_file: str = ""
    http_names: list[Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]+$", examples=["alertd.fleet.example"])]] = Field(
        default_factory=list
    )
    http_proxies: list[str] = Field(default_factory=list, examples=[["127.0.0.1"]])
    environment_proxy: bool = False
    log: Literal["text", "json"] = "text"
    http_limits: HttpLimitsFile = HttpLimitsFile()
    public_url: str = Field("", pattern=r"^(https?://[^\s/]+(/[^\s?#]*)?)?$", examples=["https://trips.fleet.example"])
    links_key_file: str = ""
    heartbeat_url: str = Field("", examples=["https://watchdog.example/alertd"])
    heartbeat_allow_networks: list[str] = Field(default_factory=list)

    _is_clock = field_validator("brief_at")(check_local_time)

    @field_validator("brief_zone")
    @classmethod
    def _is_zone(cls, value: str) -> str:
        if zone_or_none(value) is None:
            raise ValueError(f'"{value}" is no time zone; write an IANA name, e.g. "America/Denver"')
        return value


class ChainPayFile(FileModel):
    paid: list[Literal["hanging", "running", "removing"]] = Field(default_factory=list, examples=[["hanging"]])
    pay_code: str = Field("", max_length=40, examples=["CHN"])
    columns: dict[str, str] = Field(default_factory=dict, examples=[{"Employee": "driver"}])

    @model_validator(mode="after")
    def _names_fields(self) -> "ChainPayFile":
        for heading, name in self.columns.items():
            if name not in COLUMNS:
                problem = f'"{heading}" names "{name}", which is no field of the chain log'
                raise FieldError("columns", problem, f"name one of {', '.join(COLUMNS)}")
        return self

    def to_core(self) -> ChainPay:
        return ChainPay(
            paid=tuple(part for part in PARTS if part in self.paid), code=self.pay_code, columns=dict(self.columns)
        )


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


class CommonSettingsFile(FileModel):
    """All sections but those of channels and the keys of forecast providers."""

    operator: OperatorFile
    places: PlacesFile
    forecast: CommonForecastFile
    plan: PlanFile = PlanFile()
    notices: NoticesFile = NoticesFile()
    chain_log: ChainPayFile = ChainPayFile()
    daemon: DaemonFile
    watch: WatchFile = WatchFile()
    record: RecordFile = RecordFile()

    @model_validator(mode="after")
    def _parts_stand_in_order(self) -> "CommonSettingsFile":
        in_order(self, _ACROSS_PARTS)
        return self


SettingsFile: type[CommonSettingsFile] = create_model(
    "SettingsFile", __base__=CommonSettingsFile, forecast=(ForecastFile, ...), **SECTIONS
)
