"""Computes speeds that power, grade, surface and chains allow, and the arrival times from them."""

from typing import NamedTuple, TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.pavement_codes import GRIP_OF_CODE
from alertd.road.road_class import RoadClass
from alertd.route.model import Route
from alertd.units import GRAVITY_MPS2

Array: TypeAlias = NDArray[np.float64]
Floating = TypeVar("Floating", NDArray[np.float64], NDArray[np.float32])

AIR_DENSITY_KGM3 = 1.225  # ISO 2533 at sea level; thinner air reduces power and drag alike

_SPEED_KINDS = {
    1: (RoadClass.SNOW, RoadClass.PACKED_SNOW, RoadClass.SLUSH),
    2: (RoadClass.RIME,),
    3: (RoadClass.ICE, RoadClass.GLAZE),
}
# By pavement code: ice under thin snow requires the speed of ice.
_KIND = np.zeros(GRIP_OF_CODE.size, dtype=np.int8)
for _kind, _classes in _SPEED_KINDS.items():
    _KIND[np.isin(GRIP_OF_CODE, _classes)] = _kind


def crawl_speed_mps(grade: Array, mass_kg: float, power_w: float, params: PlanParams) -> Array:
    """Steady speed that the engine can hold on a grade, m/s, shape of `grade`; unbounded where no power is needed.

    Solves eta P = v [m g (sin + C_rr cos) + rho C_dA v^2 / 2] by Newton from above, where the cubic is convex, so it
    cannot overshoot. Checked against the tabulated evaluation in tests/plan/road_ahead/test_speeds.py.
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


def posted_cap_mps(route: Route, axles_n: int, mass_kg: float) -> Array:
    """The lowest limit at each sample for a truck with these axles and this mass, (sample,); +inf where none is known.

    The limits are those posted and those of law. They include their ends.
    """
    cap = np.full(route.distance_m.shape, np.inf)
    for span in route.limits:
        if axles_n < span.axles_least or mass_kg < span.mass_least_kg:
            continue
        inside = (route.distance_m >= span.start_m) & (route.distance_m <= span.end_m)
        cap[inside] = np.minimum(cap[inside], span.speed_mps)
    return cap


class Surfaces(NamedTuple):
    """Share of members, (..., section), on each kind of pavement with a speed of its own."""

    snow: Array  # snow, packed snow, slush: chains bite, half speed without them
    rime: Array  # nearly dry speed, and nothing for chains to bite on
    ice: Array  # chains bite, a crawl without them


def speed_kinds(code: NDArray[np.int8], members: int) -> NDArray[np.unsignedinteger]:
    """Pavement codes as counts of one, packed so that a sum over the members holds the count of each kind.

    One sum of packed counts takes a third of the time of three.
    """
    bits, dtype = _packing(members)
    return np.take(np.asarray([0, 1, 1 << bits, 1 << 2 * bits], dtype=dtype)[_KIND], code, mode="clip")


def shares_of_kinds(counts: NDArray[np.unsignedinteger], members: int) -> Surfaces:
    """`surface_shares` from sums of `speed_kinds` over all members, of the type of `speed_kinds`."""
    bits, _ = _packing(members)
    each = (counts >> counts.dtype.type(bits * n) & counts.dtype.type((1 << bits) - 1) for n in range(3))
    return Surfaces(*(np.asarray(n / members) for n in each))


def _packing(members: int) -> tuple[int, type[np.unsignedinteger]]:
    """Bits of each count, and the narrowest type of three."""
    if members < 1 << 5:
        return 5, np.uint16
    return (10, np.uint32) if members < 1 << 10 else (21, np.uint64)


def surface_shares(code: NDArray[np.int8]) -> Surfaces:
    """Shares by section from pavement codes (..., member, section), see plan.road_ahead.pavement_codes."""
    members = code.shape[-2]
    kinds = speed_kinds(code, members)
    return shares_of_kinds(kinds.sum(axis=-2, dtype=kinds.dtype), members)


def unchained_s(free_s: Array, length_m: Array, on: Surfaces, params: PlanParams) -> Array:
    """Seconds to cross each section without chains, mean over members.

    Half speed on snow, a crawl on ice, nearly the speed of a dry road on frost.
    """
    half = np.maximum(free_s, length_m / (params.cruise_mps * params.snow_speed_share))
    frosty = np.maximum(free_s, length_m / (params.cruise_mps * params.frost_speed_share))
    crawl = np.maximum(free_s, length_m / params.ice_mps)
    bare = 1.0 - on.snow - on.rime - on.ice
    return np.asarray(bare * free_s + on.snow * half + on.rime * frosty + on.ice * crawl)


def chained_s(free_s: Array, length_m: Array, on: Surfaces, params: PlanParams, limit_mps: float | None) -> Array:
    """Seconds to cross each section with chains on: slower on bare road, and never above a legal limit."""
    most = np.inf if limit_mps is None else limit_mps
    biting = np.maximum(free_s, length_m / min(params.chained_mps, params.chained_ceiling_mps, most))
    bare = np.maximum(free_s, length_m / min(params.chained_bare_mps, most))
    share = on.snow + on.ice
    return np.asarray(share * biting + (1.0 - share) * bare)


def elapsed_s(distance_m: Array, slowness_s_per_m: Array) -> Array:
    """Moving seconds from the start to each sample, (sample,).

    Time is the sum of slowness times distance; averaging speeds instead would be too fast.
    """
    legs = np.diff(distance_m) * 0.5 * (slowness_s_per_m[1:] + slowness_s_per_m[:-1])
    return np.concatenate(([0.0], np.cumsum(legs)))


def lateness_s(elapsed_s: Floating, clock_quantile_z: Floating, params: PlanParams) -> Floating:
    """Seconds that each member is later than planned, (..., member, section), from seconds under way (..., section).

    A member is early or late by the same quantile all the way, so its clock error grows with the time under way.
    """
    sigma = params.arrival_sigma_s * (elapsed_s > 0).astype(elapsed_s.dtype) + params.arrival_sigma_share * elapsed_s
    late = clock_quantile_z[:, None] * sigma[..., None, :]
    np.maximum(late, -0.5 * elapsed_s[..., None, :], out=late)
    return late
