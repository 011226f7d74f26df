"""Computes the pavement state of a corridor once per forecast, shared by every truck on it.

Samples of a route in one forecast cell and one band of height share a physics column. 600 km of road thus needs a few
hundred columns. Samples on a bridge have a deck column and refer to the column of the road beside the bridge. Each
member keeps its ranks (phase, friction, height) along the whole corridor and window. A storm thus stays one storm, and
"anywhere in the zone" can be counted per member.
"""

from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.forecast.model import REQUIRED_FIELDS, Forecast
from alertd.road.downscale import AIR, AirParams, ColumnPlaces, Ranks, weather_at_road
from alertd.road.humidity import Array
from alertd.road.lane.block import SPIN_UP_H, LaneRules, run_block
from alertd.road.lane.maintenance import (
    SERVICE,
    LaneTraits,
    Service,
    glazes_above_zero,
    has_old_snow,
    has_snow_beside,
    kept_an_hour,
)
from alertd.road.lane.roadside import WETTED_FRAC
from alertd.road.lane.special_columns import CLASSES, decks_no_better, shelter
from alertd.road.nearby import NOTHING_NEAR, Nearby, start_readings
from alertd.road.parameters import BRIDGE_DECK, ROAD, SurfaceParams
from alertd.road.road_class import LIMITS, ClassLimits
from alertd.units import HOUR_S

KEPT_ANSWER_H: Final = 12  # maximum age of a cached answer, which has as many fewer past hours
# Columns per pass. A call of numpy costs as much as 2,000 values: passes of 8192 take a third longer. 20,480 columns
# and 72 hours need about 160 MB.
BLOCK_COLUMNS: Final = 20_480

Float32 = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoadCells:
    """Physics columns of a route, (column,), and the column of each sample, (sample,).

    is_deck: True for columns of a bridge deck; these come last.
    is_tunnel: True for columns of a tunnel, where the road is dry whatever the weather. None where there is no tunnel.
    column_of_sample: the column of each sample; a deck column on a bridge.
    beside_of_sample: the column of the road beside the bridge for samples on a bridge, else the sample's own column.
    """

    cell_idx: NDArray[np.int64]
    lat_deg: Array
    lon_deg: Array
    elevation_m: Array
    is_deck: NDArray[np.bool_]
    column_of_sample: NDArray[np.int64]
    beside_of_sample: NDArray[np.int64]
    is_tunnel: NDArray[np.bool_] | None = None

    def __post_init__(self) -> None:
        _freeze(self)

    @property
    def columns_n(self) -> int:
        """Number of columns, deck columns included."""
        return int(self.cell_idx.size)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MemberQuantiles:
    """Persistent ranks of each member, (member,), for uncertainties that the forecast itself does not contain.

    phase: uniform in 0-1; low ranks get snow first.
    phase_model: uniform in 0-1; weight between the two phase relations.
    friction: uniform in 0-1; rank within the friction distribution of a class.
    height_z: standard normal; error of moving temperature to the road's height.
    service: uniform in 0-1; low ranks get a serviced road, see `maintenance.Service`.
    """

    phase: Array
    phase_model: Array
    friction: Array
    height_z: Array
    service: Array

    def __post_init__(self) -> None:
        _freeze(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoadField:
    """The pavement of every column at whole hours: arrays (member, column, hour), read-only.

    Index h is the state at first_epoch_s + h * 3600, after the forecast hour that ends there. air_temp_c,
    snowfall_mmwe_h and wind_mps refer to that hour. Values are NaN and classes UNKNOWN where the weather is missing.

    road_class and the stores are those of the lane that a truck drives on: serviced in some members, else untouched.

    grip_class: the class that decides the friction of a tire, see `road_class.gripping_class`.
    untouched_class: the class of the lane that nobody ploughs or salts, in every member. Duties by law look at it.
    untouched: (member,) True for members whose road nobody ploughs or salts.
    phase_logit: (cell, hour) what was seen near says of rain or snow, see `nearby`; None without reports.
    notes: cautions about the inputs. remarks: assumptions about them that ask for no caution.
    """

    first_epoch_s: float
    road_class: NDArray[np.int8]
    grip_class: NDArray[np.int8]
    untouched_class: NDArray[np.int8]
    surface_temp_c: Float32
    air_temp_c: Float32
    water_mmwe: Float32
    snow_mmwe: Float32
    ice_mmwe: Float32
    snowfall_mmwe_h: Float32
    wind_mps: Float32
    quantiles: MemberQuantiles
    untouched: NDArray[np.bool_]
    notes: tuple[str, ...]
    remarks: tuple[str, ...] = ()
    phase_logit: Array | None = None

    def __post_init__(self) -> None:
        _freeze(self)


def _freeze(value: RoadCells | MemberQuantiles | RoadField) -> None:
    for name in value.__slots__:
        part = getattr(value, name)
        if isinstance(part, np.ndarray):
            part.flags.writeable = False


def member_quantiles(members: int, rng: np.random.Generator) -> MemberQuantiles:
    """Stratified ranks: (0.5, 1.5, ...)/members in a random order for each kind, so every share is met exactly."""
    steps = (np.arange(members) + 0.5) / members
    normal = np.asarray([NormalDist().inv_cdf(float(u)) for u in steps])
    return MemberQuantiles(
        phase=rng.permutation(steps),
        phase_model=rng.permutation(steps),
        friction=rng.permutation(steps),
        height_z=rng.permutation(normal),
        service=rng.permutation(steps),
    )


def road_cells(
    distance_m: ArrayLike,
    elevation_m: ArrayLike,
    cell_of_sample: ArrayLike,
    lat_deg: ArrayLike,
    lon_deg: ArrayLike,
    *,
    on_deck: ArrayLike = False,
    in_tunnel: ArrayLike = False,
    band_m: float = 50.0,
) -> RoadCells:
    """Group a route's samples, (sample,) each, into physics columns by forecast cell and band of height.

    A column's place and height are the means of its samples, weighted by the length of road of each. Samples of unknown
    height share one column per cell, also of unknown height. Samples on a bridge deck count in a road column like any
    other, and also get a deck column of the same place and height. The two columns differ only in their material.
    Samples in a tunnel share one column per cell, without weather.
    """
    dist, elev, lat, lon = (np.asarray(x, dtype=np.float64) for x in (distance_m, elevation_m, lat_deg, lon_deg))
    cell = np.asarray(cell_of_sample, dtype=np.int64)
    band = np.where(np.isfinite(elev), np.floor(elev / band_m), -1e6).astype(np.int64)
    tunnel = np.broadcast_to(np.asarray(in_tunnel, dtype=np.bool_), dist.shape)
    inside = tunnel.astype(np.int64)
    keys, column = np.unique(np.stack([cell, np.where(tunnel, 0, band), inside]), axis=1, return_inverse=True)
    column = np.asarray(column, dtype=np.int64).reshape(-1)
    weight = np.maximum(np.gradient(dist), 1e-3) if dist.size > 1 else np.ones(1)
    total = np.bincount(column, weight)
    deck = np.broadcast_to(np.asarray(on_deck, dtype=np.bool_), dist.shape) & ~tunnel
    road_column, deck_column = np.unique(column[deck], return_inverse=True)
    source_column = np.concatenate((np.arange(total.size), road_column))
    own = column.copy()
    own[deck] = total.size + deck_column

    def mean(x: Array) -> Array:
        return np.asarray((np.bincount(column, weight * x) / total)[source_column])

    return RoadCells(
        cell_idx=keys[0][source_column],
        lat_deg=mean(lat),
        lon_deg=mean(lon),
        elevation_m=mean(elev),
        is_deck=np.arange(source_column.size) >= total.size,
        column_of_sample=own,
        beside_of_sample=column,
        is_tunnel=(keys[2] == 1)[source_column] if tunnel.any() else None,
    )


def run_corridor(
    forecast: Forecast,
    cells: RoadCells,
    *,
    rng: np.random.Generator | None = None,
    quantiles: MemberQuantiles | None = None,
    params: SurfaceParams = ROAD,
    deck: SurfaceParams = BRIDGE_DECK,
    limits: ClassLimits = LIMITS,
    air: AirParams = AIR,
    service: Service = SERVICE,
    nearby: Nearby = NOTHING_NEAR,
    dt_s: float = 900.0,
    previous: RoadField | None = None,
    changed: NDArray[np.bool_] | None = None,
) -> RoadField:
    """Run the road model for every member and column through the forecast's hours.

    forecast: its members already include the forecast error.
    quantiles, rng: the ranks of each member, or a generator to draw them from.
    params, deck: properties of the road, and of the decks of its bridges.
    service: its winter maintenance.
    nearby: observations of the last hours near it.
    dt_s: time step of the untouched lane, 900 or less, a divisor of an hour.
    previous, changed: a field of the same cells, hours and quantiles, and (column,) the columns to compute again. The
        caller guarantees that the weather of all other columns is the same.

    Past hours in the forecast spin the road up. Air temperature, humidity, wind
    and precipitation are required. Assumptions replace missing pressure, cloud, sunshine and levels.

    An hour without a required field is UNKNOWN. After it, and from the start of the forecast, unrecorded snow may
    remain on the road. A winter class of the model is kept, but a bare road is UNKNOWN while `limits.unseen_snow_mmwe`
    there would not have melted, see `lane.unseen_snow`. Other rules apply to serviced roads, see `lane.block`.

    Raises ValueError without quantiles and rng, or when the quantiles are for another number of members.
    """
    members = forecast.air_temp_c.shape[0]
    if quantiles is None:
        if rng is None:
            raise ValueError("run_corridor needs quantiles, or an rng to draw them from")
        quantiles = member_quantiles(members, rng)
    if quantiles.phase.size != members:
        raise ValueError(f"quantiles are for {quantiles.phase.size} members, the forecast has {members}")
    place = column_places(forecast, cells)
    ranks = Ranks(phase=quantiles.phase, phase_model=quantiles.phase_model, height_z=quantiles.height_z)
    shape = (members, cells.columns_n, forecast.hours)
    stores = ("surface_temp_c", "water_mmwe", "snow_mmwe", "ice_mmwe")
    names = (*CLASSES, *stores, "air_temp_c", "snowfall_mmwe_h", "wind_mps")
    arrays: dict[str, NDArray[Any]]
    if previous is not None and changed is not None and not changed.any():
        return replace(previous, notes=_notes(forecast, cells), remarks=_remarks(forecast, cells))
    if previous is None or changed is None:
        arrays = {n: np.empty(shape, dtype=np.int8 if n in CLASSES else np.float32) for n in names}
        columns = np.arange(cells.columns_n)
    else:
        arrays = {n: getattr(previous, n).copy() for n in names}
        columns = np.flatnonzero(changed)

    width = max(1, BLOCK_COLUMNS // members)
    kinds = (columns[~cells.is_deck[columns]], columns[cells.is_deck[columns]])  # a block uses a single set of params

    def run(block: NDArray[np.int64]) -> None:
        part = ColumnPlaces(**{n: getattr(place, n)[block] for n in ColumnPlaces.__slots__})
        weather = weather_at_road(forecast, part, ranks, air, nearby.phase_logit)
        readings = start_readings(
            nearby.readings,
            part.lat_deg,
            part.lon_deg,
            part.elevation_m,
            forecast.start.timestamp(),
            forecast.hours,
        )
        kind = deck if cells.is_deck[block[0]] else params
        old_snow = has_old_snow(quantiles.service, service)
        traits = LaneTraits(
            serviced=np.repeat(quantiles.service < service.serviced_frac, block.size),
            glazes=np.repeat(glazes_above_zero(quantiles.phase_model, kind), block.size),
            wetted=np.repeat(quantiles.phase < WETTED_FRAC, block.size),
            old_snow=np.repeat(old_snow, block.size),
            snow_beside=np.repeat(has_snow_beside(quantiles.phase_model, old_snow), block.size),
            kept_frac=np.tile(
                kept_an_hour(service, forecast.start.timestamp(), forecast.hours, place.lon_deg[block]), (1, members)
            ).astype(np.float32),
            readings=None if readings is None else readings.of(np.tile(np.arange(block.size), members)),
        )
        rules = LaneRules(
            params=kind, limits=limits, service=service, dt_s=dt_s, latest_start_h=latest_start_h(forecast)
        )
        for name, values in run_block(weather, rules, traits).items():
            arrays[name][:, block, :] = np.moveaxis(values.reshape(forecast.hours, members, -1), 0, 2)

    for kind_columns in kinds:
        for first in range(0, kind_columns.size, width):
            run(kind_columns[first : first + width])

    on_deck = np.flatnonzero(cells.is_deck)
    if on_deck.size:
        beside = np.empty(cells.columns_n, dtype=np.int64)
        beside[cells.column_of_sample] = cells.beside_of_sample
        decks_no_better(arrays, on_deck, beside[on_deck], stores)
    if cells.is_tunnel is not None:
        shelter(arrays, cells.is_tunnel)
    return RoadField(
        first_epoch_s=forecast.start.timestamp() + HOUR_S,
        quantiles=quantiles,
        untouched=quantiles.service >= service.serviced_frac,
        phase_logit=nearby.phase_logit,
        notes=_notes(forecast, cells),
        remarks=_remarks(forecast, cells),
        **arrays,
    )


def column_places(forecast: Forecast, cells: RoadCells) -> ColumnPlaces:
    """The columns with heights filled in: a cell takes the road's mean height in it, a road that of its cell."""
    idx = cells.cell_idx
    cell_z, road_z = forecast.elevation_m[idx], cells.elevation_m
    height_known = np.isfinite(road_z)
    road = height_known & ~cells.is_deck
    count = np.bincount(idx, road)
    mean = np.bincount(idx, np.where(road, road_z, 0.0)) / np.maximum(count, 1.0)
    cell_z = np.where(np.isfinite(cell_z), cell_z, mean[idx])
    return ColumnPlaces(
        cell_idx=idx,
        lat_deg=cells.lat_deg,
        lon_deg=cells.lon_deg,
        elevation_m=np.where(height_known, road_z, cell_z),
        cell_elevation_m=cell_z,
    )


def past_hours(forecast: Forecast) -> int:
    """Whole hours of the forecast's window before its fetch, 0 or more."""
    return int(max((forecast.fetched_at - forecast.start).total_seconds() // HOUR_S, 0))


def latest_start_h(forecast: Forecast) -> int:
    """The last hour of the window from which known hours count as a known past; -1 where there is none."""
    return min(max(past_hours(forecast) - (SPIN_UP_H - KEPT_ANSWER_H), -1), KEPT_ANSWER_H)


def _notes(forecast: Forecast, cells: RoadCells) -> tuple[str, ...]:
    """Missing inputs that a driver must know of."""
    used = np.unique(cells.cell_idx)
    notes: list[str] = []
    past_h = past_hours(forecast)
    if past_h < SPIN_UP_H - KEPT_ANSWER_H:
        notes.append(
            f"{forecast.provider}: {past_h} past hours instead of {SPIN_UP_H}; the road starts dry at the mean air"
            " temperature of the first 24 hours, and snow or ice already lying there is not known"
        )
    missing_h = int(_missing_required(forecast, used)[past_h:].sum())
    if missing_h:
        notes.append(
            f"{forecast.provider}: weather missing in {missing_h} of {forecast.hours - past_h} hours somewhere on the"
            " road; the road state there is unknown until it is known again"
        )
    return tuple(notes)


def _remarks(forecast: Forecast, cells: RoadCells) -> tuple[str, ...]:
    """Assumptions that replace missing inputs; where they leave the road in doubt, its state is UNKNOWN."""
    used = np.unique(cells.cell_idx)
    notes: list[str] = []
    past_h = past_hours(forecast)
    if SPIN_UP_H - KEPT_ANSWER_H <= past_h < SPIN_UP_H:
        notes.append(f"{forecast.provider}: {past_h} past hours instead of {SPIN_UP_H}")
    if np.isnan(forecast.elevation_m[used]).any():
        notes.append(f"{forecast.provider}: height of some cells not given, taken as the road's mean height there")
    if np.isnan(cells.elevation_m).any():
        notes.append("height of some of the road not known, taken as the forecast cell's height")
    if _missing_hours(forecast.cloud_frac, used).any():
        notes.append(f"{forecast.provider}: cloud missing at times, taken as overcast by day and clear at night")
    missing_h = int(_missing_required(forecast, used)[:past_h].sum())
    if missing_h:
        notes.append(
            f"{forecast.provider}: weather missing in {missing_h} of {past_h} past hours somewhere on the road; a bare"
            " road there is not known until old snow would be gone"
        )
    return tuple(notes)


def _missing_required(forecast: Forecast, cells: NDArray[np.int64]) -> NDArray[np.bool_]:
    """(hour,): True where any of these cells lacks a required field in any member."""
    return np.asarray(np.any([_missing_hours(getattr(forecast, n), cells) for n in REQUIRED_FIELDS], axis=0))


def _missing_hours(field: Array, cells: NDArray[np.int64]) -> NDArray[np.bool_]:
    """(hour,): True where any of these cells lacks the field in any member."""
    lacking = np.asarray(np.isnan(field).any(axis=0))
    return np.asarray(lacking[cells].any(axis=0))
