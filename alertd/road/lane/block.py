"""Runs the columns of a block through all hours: an untouched lane in the shade, and a serviced lane in the sun.

Nobody clears the untouched lane, and no direct sun reaches it: it stands for the worst part of a section. Every member
has it. The members whose road is serviced also have a lane with ploughs, salt and traffic in open sun. It is the lane
they drive on, with two exceptions: glaze of the untouched lane is theirs too, and duties by law look at the untouched
lane alone.
"""

from dataclasses import dataclass, replace
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from alertd.road.downscale import RoadWeather
from alertd.road.energy_balance import Forcing, SurfaceState, hour_constants, start_state, step
from alertd.road.humidity import Array
from alertd.road.lane.maintenance import (
    GLAZE_STAYS_H,
    GLAZES_BELOW_C,
    GLAZES_FROM_MMWE_H,
    LaneTraits,
    Service,
    serviced,
)
from alertd.road.lane.roadside import FromBeside, from_beside
from alertd.road.lane.unseen_snow import unseen_may_lie
from alertd.road.nearby import moved_to_reading
from alertd.road.parameters import SurfaceParams
from alertd.road.road_class import WINTER_CLASSES, ClassLimits, RoadClass, classify, gripping_class
from alertd.road.water_balance import at_least
from alertd.units import HOUR_S

SPIN_UP_H: Final = 48  # past hours after which the start temperature no longer matters
FIRST_DAY_H: Final = 24
DEEP_SCALE_M: Final = 0.3  # assumed depth at which the ground's surplus reaches 63 %
# [A] all three; see `run_block`.
PROVEN_AFTER_H: Final = 12
THAW_H: Final = 3
THAW_TEMP_C: Final = 1.0
# [A] The serviced lane takes longer steps: it carries less, and ploughs come by the hour.
SERVICED_STEP_S: Final = 1800.0

LEAST_MMWE: Final = 1e-6  # numerical: less is nothing

_MAY_GLAZE: Final = np.isin(np.arange(len(RoadClass) - 1), [*range(RoadClass.RIME), RoadClass.RIME, RoadClass.ICE])
_STORES: Final = ("surface_temp_c", "water_mmwe", "snow_mmwe", "ice_mmwe")


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneRules:
    """What is the same for all columns of a block.

    dt_s: step of the untouched lane.
    latest_start_h: the last hour of the window from which known hours count as a known past.
    """

    params: SurfaceParams
    limits: ClassLimits
    service: Service
    dt_s: float
    latest_start_h: int


class _Lane(NamedTuple):
    """One run, (hour, column)."""

    road_class: NDArray[np.int8]
    grip_class: NDArray[np.int8]
    stores: dict[str, NDArray[np.float32]]


def run_block(weather: RoadWeather, rules: LaneRules, traits: LaneTraits) -> dict[str, NDArray[Any]]:
    """Run columns through all hours. Returns the arrays of a RoadField, each (hour, column).

    A bare road is a finding only where its past shows it. Without a known past, unrecorded snow must have melted, see
    `unseen_snow`. With a known past, a share of the untouched lanes starts under old snow, which the weather then melts
    or not. The others count as bare after 48 known hours in a row, or after 12 with the road above +1 °C for 3 of them.
    """
    layers_c = start_layers_c(weather, rules.params)
    shaded = replace(weather, forcing=weather.forcing._replace(shortwave_wm2=weather.shaded_wm2))
    whole = np.arange(weather.known.shape[1])
    # A first day above 0 °C [A]: the days before were mild too, and have melted what lay there.
    cold = layers_c[0] <= 0.0
    beside = from_beside(weather, (rules.limits.unseen_snow_mmwe * (traits.snow_beside & cold)).astype(np.float32))
    start = start_state(layers_c)
    if rules.latest_start_h >= 0 and traits.old_snow.any():
        start = _under_old_snow(start, traits.old_snow & cold, rules.limits.unseen_snow_mmwe)
    untouched = _run(shaded, rules.params, rules, traits, beside, start, whole, rules.dt_s, None)
    out: dict[str, NDArray[Any]] = {
        "road_class": untouched.road_class.copy(),
        "grip_class": untouched.grip_class.copy(),
        "untouched_class": untouched.road_class,
        **untouched.stores,
    }
    cleared = np.flatnonzero(traits.serviced)
    if cleared.size:
        with_traffic = replace(rules.params, traffic_vph=max(rules.params.traffic_vph, rules.service.traffic_vph))
        longer_s = max(rules.dt_s, SERVICED_STEP_S)
        begin = start_state(layers_c[:, cleared])
        lane = _run(weather, with_traffic, rules, traits, beside, begin, cleared, longer_s, traits.kept_frac)
        _take_serviced(out, lane, untouched, cleared)
    _leave_unknown(out, shaded, layers_c, rules)
    given = {"air_temp_c": "air_temp_c", "snowfall_mmwe_h": "snow_mmwe_h", "wind_mps": "wind_mps"}
    for name, field in given.items():
        values = getattr(weather.forcing, field)
        out[name] = values if weather.known.all() else np.where(weather.known, values, np.float32(np.nan))
    return out


def _run(
    weather: RoadWeather,
    params: SurfaceParams,
    rules: LaneRules,
    traits: LaneTraits,
    beside: FromBeside,
    start: SurfaceState,
    at: NDArray[np.intp],
    dt_s: float,
    kept_frac: Array | None,
) -> _Lane:
    """Run the columns `at`; kept_frac: (hour, column) what ploughs leave, None without them."""
    hours, known_all = weather.known.shape[0], bool(weather.known.all())
    every = at.size == weather.known.shape[1]
    state, started = start, np.zeros(at.size, dtype=np.bool_)
    glazes, wetted = traits.glazes[at], traits.wetted[at]
    glaze_left_h = np.zeros(at.size, dtype=np.int8)  # of glaze that the source knows of and the column does not
    readings = None if traits.readings is None else traits.readings.of(at)
    classes, grips = (np.empty((hours, at.size), dtype=np.int8) for _ in range(2))
    stores = {n: np.empty((hours, at.size), dtype=np.float32) for n in _STORES}

    def there(values: NDArray[Any], h: int) -> NDArray[Any]:
        return np.asarray(values[h] if every else values[h, at])

    for h in range(hours):
        known, forcing = there(weather.known, h), Forcing(*(there(x, h) for x in weather.forcing))
        started |= known
        steady = hour_constants(forcing, params, dt_s)
        for _ in range(round(HOUR_S / dt_s)):
            state, _exchange = step(state, forcing, params, dt_s, steady)
        if readings is not None and (measured := readings.hour == h).any():
            sunny = forcing.shortwave_wm2 > 0.0
            layers_c = moved_to_reading(state.layer_temp_c, params.depth_m, measured, readings, sunny)
            state = state._replace(layer_temp_c=layers_c)
        rime, drift, water = (None if x is None else there(x, h) for x in (beside.rime, beside.drift, beside.meltwater))
        state = _with_beside(state, rime, drift, water, wetted, params)
        if kept_frac is not None:
            state = serviced(state, there(kept_frac, h))
        state = _without_dregs(state)
        if not started.all():
            state = SurfaceState(*(np.where(started, run, held) for run, held in zip(state, start, strict=True)))
        four = state.surface_temp_c, state.water_mmwe, state.snow_mmwe, state.ice_mmwe
        parts = {"glaze_mmwe": state.glaze_mmwe, "packed_mmwe": state.packed_mmwe, "hoar_mmwe": state.hoar_mmwe}
        named = classify(*four, **parts, limits=rules.limits)
        grip = gripping_class(named, state.snow_mmwe, state.ice_mmwe, **parts, limits=rules.limits)
        falls = glazes & (forcing.freezing_mmwe_h >= GLAZES_FROM_MMWE_H)
        if falls.any() or glaze_left_h.any():
            glaze_left_h = np.where(falls, np.int8(GLAZE_STAYS_H), np.maximum(glaze_left_h - 1, 0)).astype(np.int8)
            glaze_left_h[state.surface_temp_c >= GLAZES_BELOW_C] = 0
            glazed = (glaze_left_h > 0) & _MAY_GLAZE[named]
            named, grip = (np.where(glazed, np.int8(RoadClass.GLAZE), c) for c in (named, grip))
        classes[h], grips[h] = named, grip
        for name, values in zip(_STORES, four, strict=True):
            stores[name][h] = values if known_all else np.where(known, values, np.nan)
    return _Lane(classes, grips, stores)


def _without_dregs(state: SurfaceState) -> SurfaceState:
    """The state without amounts under LEAST_MMWE. Halved again and again they become slow denormal numbers."""
    left = {n: getattr(state, n) for n in ("snow_mmwe", "ice_mmwe", "packed_mmwe", "glaze_mmwe", "hoar_mmwe")}
    return state._replace(**{n: x * (x >= LEAST_MMWE) for n, x in left.items() if x.any()})


def _is_bare(road_class: NDArray[np.int8]) -> NDArray[np.bool_]:
    """True for no winter class; a run never yields UNKNOWN."""
    return np.asarray(road_class < min(WINTER_CLASSES))


def _under_old_snow(start: SurfaceState, where: NDArray[np.bool_], snow_mmwe: float) -> SurfaceState:
    """Old snow on some columns, on a pavement at 0 °C or below."""
    return start._replace(snow_mmwe=np.where(where, start.snow_mmwe.dtype.type(snow_mmwe), start.snow_mmwe))


def _with_beside(
    state: SurfaceState,
    rime: NDArray[Any] | None,
    drift: NDArray[Any] | None,
    water: NDArray[Any] | None,
    wetted: NDArray[np.bool_],
    params: SurfaceParams,
) -> SurfaceState:
    """The state with an hour's rime, drift and melt-water. Their heat is less than 1 W/m² and is left out."""
    if rime is not None:
        frozen = rime * (state.surface_temp_c <= 0.0)
        state = state._replace(ice_mmwe=state.ice_mmwe + frozen, hoar_mmwe=state.hoar_mmwe + frozen)
    if drift is not None:
        state = state._replace(snow_mmwe=state.snow_mmwe + drift)
    if water is not None:
        room = at_least(params.film_mmwe - state.water_mmwe)
        state = state._replace(water_mmwe=state.water_mmwe + np.minimum(water, room) * wetted)
    return state


def _take_serviced(out: dict[str, NDArray[Any]], lane: _Lane, untouched: _Lane, at: NDArray[np.intp]) -> None:
    """Put the serviced lane in place at its columns, with the glaze of the untouched lane."""
    worst = untouched.grip_class[:, at] == RoadClass.GLAZE
    named = np.where(worst & _is_bare(lane.road_class), np.int8(RoadClass.GLAZE), lane.road_class)
    out["road_class"][:, at] = named
    out["grip_class"][:, at] = np.where(worst, np.int8(RoadClass.GLAZE), lane.grip_class)
    for name, values in lane.stores.items():
        whole = out[name]
        whole[:, at] = values


def _leave_unknown(
    out: dict[str, NDArray[Any]],
    shaded: RoadWeather,
    layers_c: Array,
    rules: LaneRules,
) -> None:
    """Set hours of unknown weather, and bare hours that the past does not show, to UNKNOWN."""
    known = shaded.known
    bare = known & _is_bare(out["road_class"])
    hour = np.arange(known.shape[0], dtype=np.int16)[:, None]
    valid_h = hour - np.maximum.accumulate(np.where(known, -1, hour), axis=0)  # known hours in a row
    has_past = hour + 1 - valid_h <= rules.latest_start_h
    with np.errstate(invalid="ignore"):
        thaws, above_zero = (out["surface_temp_c"] > limit_c for limit_c in (THAW_TEMP_C, 0.0))
    # Hours of thaw among the known hours in a row: those so far, less those before the row began.
    thaw = np.cumsum(known & thaws, axis=0, dtype=np.int16)
    before_row = np.maximum.accumulate(np.where(known, np.int16(0), thaw), axis=0)
    proven = (valid_h >= SPIN_UP_H) | ((valid_h >= PROVEN_AFTER_H) & (thaw - before_row >= THAW_H))
    doubted = bare & ~has_past
    # A road that is never above 0 °C melts no snow, and under snow it is no warmer.
    melts = above_zero.any(axis=0)
    columns = np.flatnonzero(doubted.any(axis=0) & melts)
    if columns.size:
        stores_mmwe = out["water_mmwe"] + out["snow_mmwe"] + out["ice_mmwe"]
        doubted[:, columns] &= unseen_may_lie(shaded, columns, layers_c, stores_mmwe, rules.params, rules.limits)
    unknown = ~known | doubted | (bare & has_past & ~proven)
    for name in ("road_class", "grip_class"):
        out[name][unknown] = RoadClass.UNKNOWN
    out["untouched_class"][~known | (unknown & _is_bare(out["untouched_class"]))] = RoadClass.UNKNOWN


def start_layers_c(weather: RoadWeather, params: SurfaceParams) -> Array:
    """(layer, column): mean air temperature of each column's first 24 known hours, plus a surplus with depth.

    The mean is over all hours where none is known. A deck with air under it gets no surplus.
    """
    first = weather.known & (np.cumsum(weather.known, axis=0) <= FIRST_DAY_H)
    count = first.sum(axis=0)
    total = np.where(first, weather.forcing.air_temp_c, 0.0).sum(axis=0)
    mean = np.where(count > 0, total / np.maximum(count, 1), weather.forcing.air_temp_c.mean(axis=0))
    surplus = 0.0 if params.underside_wm2k > 0.0 else params.deep_surplus_k
    layers_c = mean - surplus * np.expm1(params.depth_m / -DEEP_SCALE_M)[:, None]
    # Single precision rounds a layer's heat by 0.03 J/m² a step, and saves a third of the time.
    return np.asarray(layers_c, dtype=np.float32)
