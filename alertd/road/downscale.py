"""Converts the forecast's weather to the road's height for the surface model, and marks its gaps."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.model import REQUIRED_FIELDS, Forecast, Obscured
from alertd.road import humidity, precip_phase, radiation
from alertd.road.energy_balance import Forcing
from alertd.road.humidity import Array
from alertd.road.precip_phase import MOUNTAIN_REPORTS, Calibration
from alertd.units import HOUR_S

BLOCK_VALUES: Final = 32_768  # members x columns x hours per pass; fits the processor's cache


@dataclass(frozen=True, slots=True, kw_only=True)
class AirParams:
    """Parameters for converting the forecast's air to the road's height. [A] marks an assumption.

    calibration: of P(snow); None keeps the two relations as published.
    height_sigma_k_per_km: standard deviation of the temperature error per height difference between cell and road,
        without precipitation. Measured between a valley (1080 m) and a summit station (2107 m) in 20,013 winter hours:
        2.9 K/km about the mean rate (tests/road/test_humidity.py); 3.0 hold 79 % of the dry hours in the 80 % band.
    height_sigma_wet_k_per_km: the same with precipitation or saturated air; 1.9 K/km measured there.
    unknown_height_diff_m [A]: height difference where the cell's height is not given.
    opaque_dry_frac [A]: part of total cloud that is opaque to longwave radiation without precipitation.
    horizon_deg: height of the terrain around the road, below which the sun's direct part does not reach it; 0 is open.
    shaded: True takes the untouched lane in the shade, without the sun's direct part at any hour. A north slope, a cut
        or trees shade a part of nearly every mountain road all day in midwinter [A].
    direct_frac [A]: direct part of the clear sky's radiation.
    """

    calibration: Calibration | None = MOUNTAIN_REPORTS
    height_sigma_k_per_km: float = 3.0
    height_sigma_wet_k_per_km: float = 2.0
    unknown_height_diff_m: float = 500.0
    opaque_dry_frac: float = 0.85
    horizon_deg: float = 0.0
    direct_frac: float = 0.6
    shaded: bool = True


AIR: Final = AirParams()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ColumnPlaces:
    """Columns of road, (column,) each. cell_elevation_m is filled in where the forecast does not give it."""

    cell_idx: NDArray[np.int64]
    lat_deg: Array
    lon_deg: Array
    elevation_m: Array
    cell_elevation_m: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ranks:
    """Ranks of each member, (member,), see corridor.MemberQuantiles."""

    phase: Array
    phase_model: Array
    height_z: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoadWeather:
    """Forcing of all columns for each hour, without gaps.

    forcing: arrays (hour, member * column) without NaN, in single precision.
    known: (hour, member * column), True where no required field was filled.
    shaded_wm2: (hour, member * column), sunshine in the shade.
    fog_mmwe_h: (hour, member * column), water of fog that settles on a surface.
    blowing: (hour, member * column), True where the source reports blowing snow; None where it reports it nowhere.
    """

    forcing: Forcing
    known: NDArray[np.bool_]
    shaded_wm2: NDArray[np.float32]
    fog_mmwe_h: NDArray[np.float32]
    blowing: NDArray[np.bool_] | None = None


def _fill_gaps(fields: dict[str, Array]) -> tuple[NDArray[np.bool_], dict[str, Array]]:
    """The required fields with gaps filled from the last known hour (else the first), without precipitation."""
    known = np.isfinite(sum(fields.values()))
    if known.all():
        return known, fields
    source = np.maximum.accumulate(np.where(known, np.arange(known.shape[2]), -1), axis=2)
    source = np.where(source < 0, np.argmax(known, axis=2)[..., None], source)
    filled = {n: np.nan_to_num(np.take_along_axis(v, source, axis=2)) for n, v in fields.items()}
    filled["precip_mmwe_h"] = np.where(known, filled["precip_mmwe_h"], 0.0)
    return known, filled


class CellAir(NamedTuple):
    """The forecast's air at its own height, (member, column, hour), filled where it is not `known`.

    zenith_deg: zenith angle of the sun, (column, hour).
    lapse_by: the arguments of `humidity.lapse_used` that decide the lapse rate.
    saturated: precipitation or saturated air, see `humidity.is_saturated`.
    """

    known: NDArray[np.bool_]
    air_temp_c: Array
    rh_frac: Array
    pressure_hpa: Array
    wind_mps: Array
    cloud_frac: Array
    precip_mmwe_h: Array
    zenith_deg: Array
    lapse_by: dict[str, Any]
    saturated: NDArray[np.bool_]


class _HourGeometry(NamedTuple):
    """Per hour and column, (column, hour): zenith angle of the sun, radiation of the clear sky, month of the season."""

    zenith_deg: Array
    clear_sky_wm2: Array
    month: NDArray[np.int64]


def _hour_geometry(forecast: Forecast, place: ColumnPlaces) -> _HourGeometry:
    epoch = forecast.start.timestamp() + HOUR_S * np.arange(forecast.hours)
    lat, lon = place.lat_deg[:, None], place.lon_deg[:, None]
    zenith, _ = radiation.solar_position(lat, lon, epoch + 0.5 * HOUR_S)
    month = np.asarray([(forecast.start + timedelta(hours=h)).month for h in range(forecast.hours)])
    clear_sky_wm2 = radiation.clear_sky_wm2(zenith, place.elevation_m[:, None])
    return _HourGeometry(zenith, clear_sky_wm2, np.where(lat < 0.0, (month + 5) % 12 + 1, month))


_ALL: Final = slice(None)


def _given(forecast: Forecast, name: str, some: slice, place: ColumnPlaces) -> Array:
    """The field at the columns, or a single NaN where the source has no value at all, to skip the computation."""
    values: Array = getattr(forecast, name)[some, place.cell_idx]
    return values if np.isfinite(values).any() else np.full((1, 1, 1), np.nan)


def cell_air(forecast: Forecast, place: ColumnPlaces, some: slice = _ALL, when: _HourGeometry | None = None) -> CellAir:
    """The forecast at each column's cell for some members, as input for the weather at the road."""
    when = _hour_geometry(forecast, place) if when is None else when
    known, raw = _fill_gaps({n: getattr(forecast, n)[some, place.cell_idx] for n in REQUIRED_FIELDS})
    cell_t, precip, wind = raw["air_temp_c"], np.maximum(raw["precip_mmwe_h"], 0.0), raw["wind_mps"]
    cell_rh = np.clip(raw["rh_frac"], 0.01, 1.0)
    cloud = np.clip(_given(forecast, "cloud_frac", some, place), 0.0, 1.0)
    given_p = _given(forecast, "pressure_hpa", some, place)
    cell_p = np.where(np.isfinite(given_p), given_p, humidity.isa_pressure_hpa(place.cell_elevation_m[:, None]))
    lapse_by = dict(
        lapse_k_per_m=humidity.regime_lapse_k_per_m(cell_t, cell_p, cell_rh, cloud, precip, when.month),
        freezing_level_m=_given(forecast, "freezing_level_m", some, place),
        cloud_frac=cloud,
        wind_mps=wind,
        sun_is_up=when.zenith_deg < 90.0,
    )
    saturated = humidity.is_saturated(cell_rh, cloud, precip)
    return CellAir(known, cell_t, cell_rh, cell_p, wind, cloud, precip, when.zenith_deg, lapse_by, saturated)


def weather_at_road(
    forecast: Forecast, place: ColumnPlaces, ranks: Ranks, params: AirParams = AIR, seen_logit: Array | None = None
) -> RoadWeather:
    """Temperature, humidity, pressure, phase and radiation at each column's height for every member and hour.

    Missing pressure comes from the standard atmosphere, missing sunshine from sun and cloud. Missing cloud counts as
    overcast by day and clear at night, and as clear for the shade of a horizon. Each choice leaves the road colder.
    seen_logit: (cell, hour), see `nearby.phase_logit`.
    """
    seen = None if seen_logit is None else seen_logit[place.cell_idx]
    members, columns, hours = forecast.air_temp_c.shape[0], place.cell_idx.size, forecast.hours
    when = _hour_geometry(forecast, place)
    shape = (hours, members, columns)
    known = np.empty(shape, dtype=np.bool_)
    blank: dict[str, Any] = {n: np.empty(shape, np.float32) for n in Forcing._fields}
    beside: dict[str, Any] = {n: np.empty(shape, np.float32) for n in ("shaded_wm2", "fog_mmwe_h")}
    width = max(1, BLOCK_VALUES // (columns * hours))
    for first in range(0, members, width):
        some = slice(first, first + width)
        part = Ranks(**{n: getattr(ranks, n)[some] for n in Ranks.__slots__})
        there, weather, shaded, fog = _some_members(forecast, some, place, part, (when, params, seen))
        wholes = (known, *blank.values(), *beside.values())
        for whole, values in zip(wholes, (there, *weather, shaded, fog), strict=True):
            whole[:, some] = np.moveaxis(np.broadcast_to(values, there.shape), 2, 0)
    flat = {n: x.reshape(hours, -1) for n, x in blank.items()}
    more = {n: x.reshape(hours, -1) for n, x in beside.items()}
    blowing = None
    code = _obscured(forecast, place)
    if code is not None and (code == Obscured.BLOWING_SNOW).any():
        blowing = np.tile((code == Obscured.BLOWING_SNOW).T, (1, members))
    return RoadWeather(forcing=Forcing(**flat), known=known.reshape(hours, -1), blowing=blowing, **more)


def _obscured(forecast: Forecast, place: ColumnPlaces) -> NDArray[np.int8] | None:
    """(column, hour): the source's code of what takes the sight, `forecast.model.Obscured`; None without one."""
    return None if forecast.obscured is None else np.asarray(forecast.obscured[place.cell_idx])


def _some_members(
    forecast: Forecast,
    some: slice,
    place: ColumnPlaces,
    ranks: Ranks,
    shared: tuple[_HourGeometry, AirParams, Array | None],
) -> tuple[NDArray[np.bool_], Forcing, Array, Array]:
    """`known` (member, column, hour), a forcing, shaded sunshine and fog that broadcast to it, for some members."""
    when, params, seen = shared
    cell = cell_air(forecast, place, some, when)
    cell_t, cell_p, precip, cloud = cell.air_temp_c, cell.pressure_hpa, cell.precip_mmwe_h, cell.cloud_frac
    cell_z, road_z = place.cell_elevation_m[:, None], place.elevation_m[:, None]
    temp = humidity.temperature_at_height_c(cell_t, cell_z, road_z, **cell.lapse_by)
    height_given = np.isfinite(forecast.elevation_m[place.cell_idx])[:, None]
    apart_km = np.where(height_given, np.abs(road_z - cell_z), params.unknown_height_diff_m) / 1000.0
    sigma = np.where(cell.saturated, params.height_sigma_wet_k_per_km, params.height_sigma_k_per_km)
    temp = temp + ranks.height_z[:, None, None] * sigma * apart_km
    cell_e = humidity.vapour_pressure_hpa(cell_t, cell.rh_frac)
    pressure = humidity.hydrostatic_hpa(cell_p, cell_t, cell_e, road_z - cell_z)
    svp = humidity.svp_water_hpa(temp)
    vapour = humidity.vapour_at_height_hpa(cell_e, cell.rh_frac, svp, pressure / cell_p, precip)
    rh = vapour / svp

    form = forecast.precip_form[some, place.cell_idx]
    level = _given(forecast, "snow_level_m", some, place)
    how = params.calibration, seen
    precip_by_phase = _split_falling(temp, rh, pressure, precip, road_z, level, form, ranks, how)
    given_shortwave = _given(forecast, "shortwave_wm2", some, place)
    sunshine = _sunshine(given_shortwave, when.clear_sky_wm2, cloud)
    clear_or_known = np.nan_to_num(cloud, nan=0.0)
    shaded = sunshine * (1.0 - params.direct_frac * (1.0 - clear_or_known)) if params.shaded else sunshine
    if params.horizon_deg > 0.0:
        # Not applied at 0: an hour whose middle is before sunrise can still have sunshine.
        sunshine = sunshine * radiation.over_horizon_frac(
            when.zenith_deg, params.horizon_deg, clear_or_known, params.direct_frac
        )
    opaque = np.where(
        precip > 0.1, np.nan_to_num(cloud, nan=1.0), params.opaque_dry_frac * np.nan_to_num(cloud, nan=0.0)
    )
    sight_m = _given(forecast, "visibility_m", some, place)
    code = _obscured(forecast, place)
    coded = (
        np.zeros((1, 1), dtype=np.bool_) if code is None else (code == Obscured.FOG) | (code == Obscured.FREEZING_FOG)
    )
    fog = fog_deposit_mmwe_h(sight_m, cell.rh_frac, (rh, temp), precip, coded)
    weather = Forcing(
        air_temp_c=temp,
        vapour_hpa=vapour,
        pressure_hpa=pressure,
        wind_mps=cell.wind_mps,
        shortwave_wm2=sunshine,
        longwave_wm2=radiation.longwave_wm2(*(x.astype(np.float32) for x in (temp, vapour, opaque))),
        rain_mmwe_h=precip_by_phase.rain,
        freezing_mmwe_h=precip_by_phase.freezing,
        snow_mmwe_h=precip_by_phase.snow,
    )
    return cell.known, weather, shaded, np.where(cell.known, fog, 0.0)


FOG_SIGHT_M: Final = 1000.0  # WMO-No. 8: fog is a visibility below 1 km
# [A] In air drier than this part of saturation (over ice below 0 °C) dust or blowing snow limits the sight, not fog.
FOG_RH_FRAC: Final = 0.93
FOG_MOST_PRECIP_MMWE_H: Final = 0.05  # [A] more precipitation than this clears the fog or limits the sight itself
UNSEEN_FOG_RH_FRAC: Final = 0.995  # [A] saturated air without a known visibility counts as fog of 200 m
UNSEEN_FOG_SIGHT_M: Final = 200.0
# Kunkel 1984, J. Climate Appl. Meteor. 23:34 (constants from memory): visibility [km] is 0.027 W^-0.88, W in g/m³.
KUNKEL: Final = (0.027, 0.88)
MOST_FOG_GM3: Final = 0.3  # [A] densest fog over land
SETTLING_MPS: Final = 0.02  # [A] droplets of 15 µm fall at 0.007 m/s and turbulence brings as many again; 0.01-0.04


def fog_deposit_mmwe_h(
    sight_m: Array, cell_rh: Array, road_air: tuple[Array, Array], precip: Array, coded: NDArray[np.bool_]
) -> Array:
    """Water of fog droplets that settles on a surface, mm w.e./h; 0 without fog or with more than light precipitation.

    sight_m: visibility, NaN where unknown; saturated air at the cell then counts as fog.
    road_air: relative humidity and temperature [°C] at the road.
    coded: True where the source reports fog, which is then fog at any humidity and of UNSEEN_FOG_SIGHT_M at most.

    Wind does not clear it: cloud on a pass rimes in any wind, and where the wind blows snow the road drifts over.
    """
    rh, temp_c = road_air
    # Saturation over ice by that over water is exp(0.0097 T), within 0.3 % of Buck 1996 from -30 to 0 °C.
    foggy = sight_m < FOG_SIGHT_M
    if foggy.any():
        foggy = foggy & (rh >= FOG_RH_FRAC * np.exp(0.0097 * np.minimum(temp_c, 0.0)))
    unseen = np.isnan(sight_m) & (cell_rh >= UNSEEN_FOG_RH_FRAC)
    there = (foggy | unseen | coded) & (precip <= FOG_MOST_PRECIP_MMWE_H)
    if not there.any():
        return np.zeros(there.shape)
    scale, power = KUNKEL
    far_m = np.where(coded, np.fmin(sight_m, UNSEEN_FOG_SIGHT_M), sight_m)
    sight_km = np.maximum(np.where(unseen, UNSEEN_FOG_SIGHT_M, far_m), 10.0) / 1000.0
    water_gm3 = np.minimum((scale / sight_km) ** (1.0 / power), MOST_FOG_GM3)
    return np.where(there, water_gm3 * (SETTLING_MPS * HOUR_S / 1000.0), 0.0)


def _sunshine(given: Array, clear_sky: Array, cloud: Array) -> Array:
    """The source's radiation where given, else the clear sky's radiation through its cloud, W/m²."""
    out = np.maximum(given, 0.0)
    if not np.isnan(out).any():
        return out
    up = clear_sky > 0.0
    whole = np.broadcast_shapes(given.shape, clear_sky.shape, cloud.shape)
    derived = np.zeros(whole, dtype=np.float32)
    cover = np.nan_to_num(np.broadcast_to(cloud, whole)[:, up].astype(np.float32), nan=1.0)
    derived[:, up] = clear_sky[up] * radiation.cloud_transmission_frac(cover)
    return np.where(np.isnan(out), derived, out)


class _Falls(NamedTuple):
    """Precipitation by its form at the road, mm w.e./h; rain includes freezing rain."""

    rain: Array
    freezing: Array
    snow: Array


def _split_falling(
    temp: Array,
    rh: Array,
    pressure: Array,
    precip: Array,
    road_z: Array,
    snow_level: Array,
    form: NDArray[np.int8],
    ranks: Ranks,
    how: tuple[Calibration | None, Array | None],
) -> _Falls:
    """Precipitation by phase. Computed only where it is above 0, which saves solving for the wet bulb elsewhere."""
    at = np.flatnonzero(precip > 0.0)

    def there(x: NDArray[Any]) -> NDArray[Any]:
        return np.take(np.broadcast_to(x, precip.shape), at)

    chance = precip_phase.snow_chance(
        there(temp),
        there(rh),
        there(pressure),
        road_elevation_m=there(road_z),
        snow_level_m=there(snow_level),
        calibration=how[0],
        seen_logit=None if how[1] is None else there(how[1]),
    )
    weight, rank = (there(r[:, None, None]) for r in (ranks.phase_model, ranks.phase))
    phase = precip_phase.split_phase(chance.weighted(weight), rank, there(form))
    by_phase = _Falls(*(np.zeros(precip.shape) for _ in _Falls._fields))
    for whole, share in zip(
        by_phase, (phase.rain + phase.freezing, phase.freezing, phase.snow + phase.pellets), strict=True
    ):
        whole.reshape(-1)[at] = share * there(precip)
    return by_phase
