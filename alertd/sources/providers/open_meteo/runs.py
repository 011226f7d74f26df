"""When the models behind an Open-Meteo answer last ran: /data/<model>/static/meta.json.

A forecast answer gives no issue time, so a model that stopped updating looks new for ever. The metadata file of a model
gives its last run, when that became available, and how often it is updated (open-meteo.com/en/docs/model-updates).
Requests for it are not counted. It describes the model, not the answer: servers may differ for some minutes. A model
whose run time is not known is used as before, with the time of the fetch.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

from pydantic import Field

from alertd.errors import SourceChanged, SourceError
from alertd.forecast.model import Array
from alertd.sources.http.answer import JsonClient, RequestOptions
from alertd.sources.http.validation import AnswerModel, Number, validated
from alertd.sources.providers.open_meteo.parse import SOURCE

LIFE_S: Final = 1800.0
SERVERS_DIFFER: Final = timedelta(minutes=20)  # the source's page marks a model as late after these
MISSED_N: Final = 2  # [A] one missed update is common, two are an outage
USUAL_LATENCY: Final = timedelta(hours=8)  # [A] of a global model; used where the file gives a time before its run

# Names of models in a request -> of their metadata, where these differ (page of model updates, 2024 and 2026).
_META_NAMES: Final = {
    "ncep_gfs_global": "ncep_gfs013", "gfs_global": "ncep_gfs013", "gfs_hrrr": "ncep_hrrr_conus",
    "ncep_gfs_seamless": "ncep_gfs013", "gfs_seamless": "ncep_gfs013",
    "icon_global": "dwd_icon", "icon_eu": "dwd_icon_eu", "icon_d2": "dwd_icon_d2", "icon_seamless": "dwd_icon",
    "gem_global": "cmc_gem_gdps", "gem_regional": "cmc_gem_rdps", "gem_hrdps_continental": "cmc_gem_hrdps",
    "cmc_gem_seamless": "cmc_gem_gdps", "gem_seamless": "cmc_gem_gdps",
    "meteofrance_arome_france": "meteofrance_arome_france0025",
    "arome_france": "meteofrance_arome_france0025", "arome_france_hd": "meteofrance_arome_france_hd",
    "meteofrance_arpege_world": "meteofrance_arpege_world025", "metno_nordic": "metno_nordic_pp",
    "meteoswiss_icon_seamless": "meteoswiss_icon_ch2",
}  # fmt: skip
_ENSEMBLE_META_NAMES: Final = {
    "gfs_seamless": "ncep_gefs025", "gfs025": "ncep_gefs025", "gfs05": "ncep_gefs05",
    "ncep_gefs_seamless": "ncep_gefs025", "ecmwf_ifs025": "ecmwf_ifs025_ensemble",
    "ecmwf_ifs04": "ecmwf_ifs025_ensemble",
    "icon_seamless": "dwd_icon_eps", "icon_global": "dwd_icon_eps", "icon_eu": "dwd_icon_eu_eps",
    "icon_d2": "dwd_icon_d2_eps", "gem_global": "cmc_gem_geps",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelRun:
    """The last run of a model, aware and UTC.

    begun_at: its reference time. available_at: when the server had it. every: time between updates.
    """

    model: str
    begun_at: datetime
    available_at: datetime
    every: timedelta

    @property
    def usual_age(self) -> timedelta:
        """Age of a run just before the next one is due."""
        return self.available_at - self.begun_at + self.every

    def is_overdue(self, now_utc: datetime) -> bool:
        """True when MISSED_N updates have not come."""
        return now_utc - self.available_at > MISSED_N * self.every + SERVERS_DIFFER


class _Meta(AnswerModel):
    last_run_initialisation_time: Number
    last_run_availability_time: Number | None = None
    last_run_modification_time: Number | None = None
    update_interval_seconds: Number = Field(gt=0.0)


def read_run(body: object, model: str) -> ModelRun:
    """The run of a metadata file. Raises SourceChanged for what cannot be a run."""
    meta = validated(SOURCE, _Meta, body)
    available_s = meta.last_run_availability_time or meta.last_run_modification_time
    try:
        begun_at = datetime.fromtimestamp(meta.last_run_initialisation_time, UTC)
        available_at = begun_at + USUAL_LATENCY if available_s is None else datetime.fromtimestamp(available_s, UTC)
    except (ValueError, OverflowError, OSError) as exc:
        raise SourceChanged(SOURCE, f"metadata of {model} holds no time ({exc})") from exc
    if available_at < begun_at:
        available_at = begun_at + USUAL_LATENCY
    every = timedelta(seconds=min(meta.update_interval_seconds, 7 * 86_400.0))
    return ModelRun(model=model, begun_at=begun_at, available_at=available_at, every=every)


def meta_name(model: str, *, ensemble: bool = False) -> str:
    """The name of a model in the addresses of metadata."""
    return (_ENSEMBLE_META_NAMES if ensemble else _META_NAMES).get(model, model)


def best_match_models(lat_deg: Array, lon_deg: Array) -> tuple[str, ...]:
    """Models that the best match draws on at some places, by their metadata names.

    From memory of the source's documentation: HRRR and GFS in the USA, HRDPS and GDPS in Canada, ICON-EU and ICON in
    Europe, IFS and GFS elsewhere.
    """
    found: dict[str, None] = {}
    for lat, lon in zip(lat_deg, lon_deg, strict=True):
        if -130.0 <= lon <= -55.0 and lat >= 24.0:
            names = ("ncep_hrrr_conus", "ncep_gfs013") if lat < 49.0 else ("cmc_gem_hrdps", "cmc_gem_gdps")
        elif -24.0 <= lon <= 45.0 and lat >= 30.0:
            names = ("dwd_icon_eu", "dwd_icon")
        else:
            names = ("ecmwf_ifs025", "ncep_gfs013")
        found |= dict.fromkeys(names)
    return tuple(found)


async def ask_run(client: JsonClient, base_url: str, model: str, params: dict[str, str]) -> ModelRun | None:
    """The last run of a model by its metadata name; None where the server does not give it.

    params: the API key where the server wants one.
    """
    try:
        answer = await client.get_json(
            SOURCE,
            f"{base_url}/data/{model}/static/meta.json",
            params=params or None,
            read=lambda body: read_run(body, model),
            options=RequestOptions(default_life_s=LIFE_S, interpret_error=_no_host_fault),
        )
    except SourceError:
        return None
    return answer.value


def _no_host_fault(status: int, _problem: object) -> SourceError | None:
    """A server without metadata still gives forecasts."""
    return SourceError(SOURCE, f"has no metadata of this model (HTTP {status})") if status in (400, 404) else None
