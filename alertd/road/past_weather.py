"""The past hours of a forecast's cells from all evidence: stations first, then forecasts kept from before."""

from dataclasses import replace
from typing import Final

import numpy as np

from alertd.forecast.ensemble import Spreads
from alertd.forecast.model import Forecast
from alertd.forecast.observations import StationReport
from alertd.forecast.past import (
    FILLED_FIELDS,
    KeptForecast,
    PastBasis,
    PastEvidence,
    PastWeather,
    fill_past,
    missing_hours,
)
from alertd.forecast.provider import ForecastRequest
from alertd.forecast.station_hours import station_hours
from alertd.road.past_stations import CellPlaces, past_from_stations
from alertd.units import HOUR_S

POOR_WITNESS_PROB: Final = 0.05  # [A] chance of precipitation unseen by dry stations


def cell_places(forecast: Forecast, request: ForecastRequest) -> CellPlaces:
    """The cells with the heights that their temperatures are for; the road's where the source gives none."""
    known = np.isfinite(forecast.elevation_m)
    heights = np.where(known, forecast.elevation_m, request.road_elevation_m)
    return CellPlaces(request.lat_deg, request.lon_deg, heights)


def past_weather(evidence: PastEvidence, forecast: Forecast, request: ForecastRequest, spreads: Spreads) -> PastWeather:
    """The past of a forecast's cells: stations first, earlier forecasts where none is within reach."""
    by_station: dict[str, list[StationReport]] = {}
    for report in evidence.reports:
        by_station.setdefault(report.station.id, []).append(report)
    stations = [station_hours(reports, forecast.start, forecast.hours) for reports in by_station.values()]
    past = past_from_stations(stations, cell_places(forecast, request), forecast.start, forecast.hours)
    for kept in evidence.kept:
        past = _with_kept(past, kept, forecast, spreads)
    return past


def _with_kept(past: PastWeather, kept: KeptForecast, forecast: Forecast, spreads: Spreads) -> PastWeather:
    if kept.elevation_m.size != forecast.lat_deg.size:
        return past
    kept = kept.between(forecast.start, forecast.hours)
    values = dict(zip(FILLED_FIELDS, kept.values, strict=True))
    known = np.isfinite(values["air_temp_c"] + values["rh_frac"] + values["wind_mps"] + values["precip_mmwe_h"])
    take = ~past.known & known
    # The forecast of the cell itself says more of its precipitation than a dry station far below.
    drier = past.known & known & (past.precip_prob_frac > POOR_WITNESS_PROB)
    if not (take | drier).any():
        return past
    past = replace(
        past,
        precip_mmwe_h=np.where(drier, values["precip_mmwe_h"], past.precip_mmwe_h),
        precip_prob_frac=np.where(drier, values["precip_prob_frac"], past.precip_prob_frac),
    )
    middle_s = forecast.start.timestamp() + HOUR_S * (np.arange(forecast.hours) + 0.5)
    lead_h = np.asarray(middle_s - np.nan_to_num(kept.issued_epoch_s), dtype=np.float64) / HOUR_S
    form = np.where(take, np.nan_to_num(values.pop("precip_form")), past.precip_form).astype(np.int8)
    merged = {name: np.where(take, new, getattr(past, name)) for name, new in values.items()}
    return replace(
        past,
        air_temp_sd_c=np.where(take, spreads.air_temp_sd_c(lead_h), past.air_temp_sd_c),
        precip_form=form,
        basis=np.where(take, PastBasis.EARLIER_FORECAST, past.basis).astype(np.int8),
        station_idx=np.where(take, -1, past.station_idx),
        issued_epoch_s=np.where(take, kept.issued_epoch_s, past.issued_epoch_s),
        **merged,
    )


def with_past(
    forecast: Forecast, evidence: PastEvidence, request: ForecastRequest, spreads: Spreads, rng: np.random.Generator
) -> tuple[Forecast, PastWeather]:
    """The forecast with its past hours filled, and what each past hour rests on."""
    missing = missing_hours(forecast, request.now_utc)
    past = past_weather(evidence, forecast, request, spreads)
    filled = fill_past(forecast, past, spreads=spreads, rng=rng, now_utc=request.now_utc)
    own = np.isfinite(forecast.air_temp_c).any(axis=0) & ~missing
    basis = np.where(own, PastBasis.SOURCE, np.where(missing & past.known, past.basis, PastBasis.NOTHING))
    return filled, replace(past, basis=basis.astype(np.int8))
