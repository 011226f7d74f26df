"""When the truck is where: speed that power, grade, surface and chains allow, and the arrival times from it."""

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.params import CHAIN_SURFACES, PlanParams
from alertd.road.state import RoadClass
from alertd.route.line import Route
from alertd.units import GRAVITY_MPS2

Array: TypeAlias = NDArray[np.float64]

AIR_DENSITY_KGM3 = 1.225  # ISO 2533 at sea level; thinner air aloft costs power and drag alike


def crawl_speed_mps(grade: Array, mass_kg: float, power_w: float, params: PlanParams) -> Array:
    """Steady speed on a grade that the engine can hold, shape of `grade`; unbounded downhill where no power is needed.

    Solves eta P = v [m g (sin + C_rr cos) + rho C_dA v^2 / 2] by Newton from above, where the cubic is convex, so it
    cannot overshoot. Checked against the tabulated evaluation in tests/plan/test_travel.py.
    """
    theta = np.arctan(grade)
    resistance_n = mass_kg * GRAVITY_MPS2 * (np.sin(theta) + params.rolling_resistance * np.cos(theta))
    drag = 0.5 * AIR_DENSITY_KGM3 * params.drag_area_m2
    power = params.drivetrain_efficiency * power_w
    v = np.full_like(resistance_n, 200.0)
    for _ in range(40):
        v = v - (drag * v**3 + resistance_n * v - power) / np.maximum(3.0 * drag * v**2 + resistance_n, 1.0)
    return v


def free_speed_mps(grade: Array, mass_kg: float, power_w: float, params: PlanParams) -> Array:
    """Speed on a dry road: the cruise speed, the power limit uphill, and caps on long downgrades."""
    v = np.minimum(crawl_speed_mps(grade, mass_kg, power_w, params), params.cruise_mps)
    v = np.where(grade <= -params.descent_grade, np.minimum(v, params.descent_mps), v)
    return np.where(grade <= -params.steep_descent_grade, np.minimum(v, params.steep_descent_mps), v)


def posted_cap_mps(route: Route) -> Array:
    """The lowest posted limit at each sample, (sample,); +inf where none is known. Its ends count as under it."""
    cap = np.full(route.distance_m.shape, np.inf)
    for span in route.limits:
        inside = (route.distance_m >= span.start_m) & (route.distance_m <= span.end_m)
        cap[inside] = np.minimum(cap[inside], span.speed_mps)
    return cap


def surface_cap_mps(road_class: NDArray[np.int8], params: PlanParams) -> Array:
    """Highest sensible unchained speed on each surface; +inf where the surface sets none. Any shape."""
    cap = np.full(road_class.shape, np.inf)
    half = params.cruise_mps * params.snow_speed_share
    for surface in (RoadClass.SNOW, RoadClass.PACKED_SNOW, RoadClass.SLUSH, RoadClass.RIME):
        cap[road_class == surface] = half
    for surface in (RoadClass.ICE, RoadClass.GLAZE):
        cap[road_class == surface] = params.ice_mps
    return cap


def chained_cap_mps(road_class: NDArray[np.int8], params: PlanParams, limit_mps: float | None) -> Array:
    """Speed with chains on: slower still where the pavement is bare, and never above a legal limit. Any shape."""
    biting = np.isin(road_class, [int(c) for c in CHAIN_SURFACES])
    cap = np.where(biting, min(params.chained_mps, params.chained_ceiling_mps), params.chained_bare_mps)
    return cap if limit_mps is None else np.minimum(cap, limit_mps)


def elapsed_s(distance_m: Array, slowness_s_per_m: Array) -> Array:
    """Seconds of moving from the start to each sample, (sample,).

    Time is the sum of slowness times distance; averaging speeds instead would be too quick.
    """
    legs = np.diff(distance_m) * 0.5 * (slowness_s_per_m[1:] + slowness_s_per_m[:-1])
    return np.concatenate(([0.0], np.cumsum(legs)))


def arrivals_epoch_s(depart_epoch_s: float, elapsed: Array, clock_quantile_z: Array, params: PlanParams) -> Array:
    """Arrival of each member at each sample, (member, sample), Unix seconds.

    A member is early or late by the same quantile all the way, so its clock error grows with the time under way.
    """
    sigma = np.where(elapsed > 0, params.arrival_sigma_s, 0.0) + params.arrival_sigma_share * elapsed
    late = np.maximum(clock_quantile_z[:, None] * sigma[None, :], -0.5 * elapsed[None, :])
    return depart_epoch_s + elapsed[None, :] + late
