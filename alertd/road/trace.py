"""Traces one column of road from the forecast's air to precipitation, with each step by member.

Each number comes from the function that computed the field; nothing is computed differently here.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.model import Forecast
from alertd.road import humidity, precip_phase
from alertd.road.corridor import MemberQuantiles, RoadCells, column_places
from alertd.road.downscale import AIR, AirParams, ColumnPlaces, Ranks, cell_air, weather_at_road
from alertd.road.energy_balance import Forcing
from alertd.road.humidity import Array

POOLED = "calm clear night: cold air lies low, so no warming downward"
ANCHORED = "slope from the cell to the forecast's 0 °C level"
BY_WEATHER = "lapse rate of the kind of weather (moist air rising when it precipitates, else by month)"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AirTrace:
    """One column, each member at its own hour. Arrays are (member,), in the order of computation.

    known: no required field was missing.
    cell_*: at the forecast cell's height, including the members' own errors.
    rule: the rule of POOLED, ANCHORED and BY_WEATHER that moved the temperature. The rate is lapse_k_per_m; the
        member's own error by height is added.
    jennings, wang: P(snow) as published, within the two limits of `precip_phase`.
    jennings_calibrated, wang_calibrated: P(snow) after calibration and averaging with the source's snow level.
    chance: between these two, by the member's own weight.

    The probabilities are given with and without precipitation.
    """

    known: NDArray[np.bool_]
    cell_elevation_m: float
    road_elevation_m: float
    cell_air_temp_c: Array
    cell_rh_frac: Array
    wind_mps: Array
    cloud_frac: Array
    precip_mmwe_h: Array
    freezing_level_m: Array
    snow_level_m: Array
    rule: tuple[str, ...]
    lapse_k_per_m: Array
    air_temp_c: Array
    rh_frac: Array
    pressure_hpa: Array
    wet_bulb_c: Array
    jennings: Array
    wang: Array
    jennings_calibrated: Array
    wang_calibrated: Array
    chance: Array
    snow_mmwe_h: Array
    rain_mmwe_h: Array
    freezing_mmwe_h: Array


def trace_air(
    forecast: Forecast,
    cells: RoadCells,
    quantiles: MemberQuantiles,
    column: int,
    hour: NDArray[np.int64],
    params: AirParams = AIR,
    seen_logit: Array | None = None,
) -> AirTrace:
    """Trace one column.

    quantiles: those of the field.
    hour: (member,) hours of the forecast.
    seen_logit: that of the field.
    """
    places = column_places(forecast, cells)
    place = ColumnPlaces(**{n: getattr(places, n)[column : column + 1] for n in ColumnPlaces.__slots__})
    ranks = Ranks(phase=quantiles.phase, phase_model=quantiles.phase_model, height_z=quantiles.height_z)
    member = np.arange(hour.size)

    def at(values: NDArray[Any]) -> NDArray[Any]:
        """(member, 1, hour), or an array that broadcasts to it, at each member's hour: (member,)."""
        return np.asarray(np.broadcast_to(values, (hour.size, 1, forecast.hours))[member, 0, hour])

    cell = cell_air(forecast, place)
    used = humidity.lapse_used(
        cell.air_temp_c, place.cell_elevation_m[:, None], place.elevation_m[:, None], **cell.lapse_by
    )
    pooled, anchored = at(used.pooled), at(used.anchored)
    weather = weather_at_road(forecast, place, ranks, params, seen_logit)
    seen = None if seen_logit is None else seen_logit[place.cell_idx[0], hour]
    forcing = Forcing(*(x[hour, member].astype(np.float64) for x in weather.forcing))
    rh = forcing.vapour_hpa / humidity.svp_water_hpa(forcing.air_temp_c)
    snow_level = forecast.snow_level_m[member, place.cell_idx[0], hour]
    published, calibrated = (
        precip_phase.snow_chance(
            forcing.air_temp_c,
            rh,
            forcing.pressure_hpa,
            road_elevation_m=place.elevation_m[0],
            snow_level_m=level,
            calibration=calibration,
            seen_logit=near,
        )
        for level, calibration, near in ((np.nan, None, None), (snow_level, params.calibration, seen))
    )
    return AirTrace(
        known=weather.known[hour, member],
        cell_elevation_m=float(place.cell_elevation_m[0]),
        road_elevation_m=float(place.elevation_m[0]),
        cell_air_temp_c=at(cell.air_temp_c),
        cell_rh_frac=at(cell.rh_frac),
        wind_mps=at(cell.wind_mps),
        cloud_frac=at(cell.cloud_frac),
        precip_mmwe_h=at(cell.precip_mmwe_h),
        freezing_level_m=forecast.freezing_level_m[member, place.cell_idx[0], hour],
        snow_level_m=snow_level,
        rule=tuple(POOLED if p else ANCHORED if a else BY_WEATHER for p, a in zip(pooled, anchored, strict=True)),
        lapse_k_per_m=at(used.lapse_k_per_m),
        air_temp_c=forcing.air_temp_c,
        rh_frac=rh,
        pressure_hpa=np.asarray(forcing.pressure_hpa, dtype=np.float64),
        wet_bulb_c=humidity.wet_bulb_c(forcing.air_temp_c, rh, forcing.pressure_hpa),
        jennings=published.jennings,
        wang=published.wang,
        jennings_calibrated=calibrated.jennings,
        wang_calibrated=calibrated.wang,
        chance=calibrated.weighted(quantiles.phase_model),
        snow_mmwe_h=forcing.snow_mmwe_h,
        rain_mmwe_h=forcing.rain_mmwe_h - forcing.freezing_mmwe_h,
        freezing_mmwe_h=forcing.freezing_mmwe_h,
    )
