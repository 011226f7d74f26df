"""Speeds that the curves of a road allow a loaded truck, from the geometry of its line.

The line's noise must not slow a straight road. The curvature is therefore that of a smoothed line, and the part of it
that noise alone explains is taken off.
"""

from typing import Final

import numpy as np

from alertd.route.model import Array
from alertd.units import GRAVITY_MPS2

# v²/(g R) = side friction + superelevation. AASHTO, A Policy on Geometric Design of Highways and Streets, chapter 3
# (from memory): comfortable side friction is 0.12 at 55 mph and higher at lower speeds; mountain curves are banked by 4
# to 8 %. The sum is half the static rollover threshold of a loaded combination, 0.3 to 0.4 g (common practice).
LATERAL_G: Final = 0.18
# [A] A loaded truck slows for a curve, and gathers speed after it, at this rate. It brakes harder only in an emergency.
GENTLE_MPS2: Final = 0.4
# Above the speed of every truck a curve is no limit. 30 m/s is 67 mph.
FASTEST_MPS: Final = 30.0
# [A] 10 mph: the tightest hairpin of a truck road, 12 m. Sharper turns are a recorder left on at a stop.
SLOWEST_MPS: Final = 4.5
# [A] Standard deviation of the smoothing along the line: at least 50 m, and half of the distance between points where
# these are sparse, so that a wide curve drawn with few points is not a row of sharp corners.
_SMOOTH_M: Final = (50.0, 100.0, 200.0, 400.0)
_OF_LEG: Final = 0.5
_NOISE_PLACES: Final = 3_000
_NOISE_TIMES: Final = 4.0  # [A] curvature below four standard deviations of its noise counts as none


def curve_speed_mps(
    x_m: Array, y_m: Array, *, step_m: float, per_sample: int, leg_m: Array, noise_m: float, points_apart_m: float
) -> Array:
    """Mean speed that the curves around each sample allow, +inf where they allow FASTEST_MPS, (sample,) [m/s].

    Parameters
    ----------
    x_m, y_m: (place,) places in even steps along the line, in a plane [m].
    step_m: distance between places along the line.
    per_sample: steps from one sample to the next; (place - 1) is a multiple of it.
    leg_m: (place,) length of the leg of the given line at each place.
    noise_m, points_apart_m: standard deviation of the given points across the line, and their usual distance.
    """
    curvature = _curvature(x_m, y_m, step_m, leg_m, noise_m**2 * points_apart_m)
    with np.errstate(divide="ignore"):
        square = np.clip(LATERAL_G * GRAVITY_MPS2 / curvature, SLOWEST_MPS**2, FASTEST_MPS**2)
    # A truck comes to a curve, and leaves it, at a speed that rises by 2 a x in the square.
    ramp = 2.0 * GENTLE_MPS2 * step_m * np.arange(square.size)
    square = np.minimum.accumulate(square - ramp) + ramp
    square = (np.minimum.accumulate((square - ramp[::-1])[::-1]) + ramp)[::-1]
    slowness = 1.0 / np.sqrt(np.minimum(square, FASTEST_MPS**2))
    half = per_sample // 2
    total = np.cumsum(np.concatenate(([0.0], slowness)))
    middle = np.arange(0, x_m.size, per_sample)
    first, last = np.maximum(middle - half, 0), np.minimum(middle + half + 1, x_m.size)
    mean = (last - first) / (total[last] - total[first])
    return np.where(mean < 0.99 * FASTEST_MPS, mean, np.inf)


def across_noise_m(lat_deg: Array, lon_deg: Array) -> tuple[float, float]:
    """Standard deviation of the points across the line, and their median distance [m]; 0 for few points.

    From each point's offset off the chord of its neighbours, less what the curvature beside it explains. The median
    ignores corners. Independent errors of standard deviation 1 give sqrt(70) / 4 in the fourth difference over 4.
    """
    if lat_deg.size < 7:
        return 0.0, 0.0
    x_m, y_m = plane_m(lat_deg, lon_deg)
    # Five points around each of a few thousand: a median of more is no better, and slower.
    five = np.arange(0, x_m.size - 4, max(x_m.size // _NOISE_PLACES, 1))[:, None] + np.arange(5)
    x, y = x_m[five], y_m[five]
    legs = np.hypot(np.diff(x, axis=1), np.diff(y, axis=1))
    dx, dy = x[:, 2:] - x[:, :-2], y[:, 2:] - y[:, :-2]
    chord = np.maximum(np.hypot(dx, dy), 1e-3)
    off = ((x[:, 1:-1] - x[:, :-2]) * dy - (y[:, 1:-1] - y[:, :-2]) * dx) / chord
    weight = np.maximum(legs[:, :-1] * legs[:, 1:], 1e-3)
    curved = off / weight
    left = off[:, 1] - weight[:, 1] * 0.5 * (curved[:, 0] + curved[:, 2])
    return float(1.4826 * np.median(np.abs(left)) / (np.sqrt(70.0) / 4.0)), float(np.median(legs))


def plane_m(lat_deg: Array, lon_deg: Array) -> tuple[Array, Array]:
    """East and north [m], each step on the scale of its own latitude, (place,). Longitudes are unwrapped."""
    per_deg = np.radians(6_371_000.0)
    cos = np.cos(np.radians(0.5 * (lat_deg[1:] + lat_deg[:-1])))
    x_m = np.concatenate(([0.0], np.cumsum(np.diff(lon_deg) * cos * per_deg)))
    return x_m, np.asarray((lat_deg - lat_deg[0]) * per_deg)


def _curvature(x_m: Array, y_m: Array, step_m: float, leg_m: Array, noise_m3: float) -> Array:
    """Curvature of the smoothed line beyond that of its noise, 0 or more, (place,) [1/m].

    noise_m3: variance of the points across the line times their distance.
    """
    wanted_m = _OF_LEG * _widest_around(leg_m, max(round(_SMOOTH_M[0] / step_m), 1))
    out = np.zeros(x_m.size)
    for i, sigma_m in enumerate(_SMOOTH_M):
        wider = wanted_m > sigma_m
        here = ~wider if i == 0 else (wanted_m > _SMOOTH_M[i - 1]) & (~wider | (i == len(_SMOOTH_M) - 1))
        if here.any():
            curvature, share = _smoothed_curvature(x_m, y_m, step_m, sigma_m)
            # Variance of independent errors, s apart, in the second derivative of a Gaussian mean: v s 3 / (8 √π σ⁵).
            doubt = _NOISE_TIMES**2 * noise_m3 * 3.0 / (8.0 * np.sqrt(np.pi) * (share * sigma_m) ** 5)
            out[here] = np.sqrt(np.maximum(curvature[here] ** 2 - doubt, 0.0))
    return out


def _smoothed_curvature(x_m: Array, y_m: Array, step_m: float, sigma_m: float) -> tuple[Array, float]:
    """Curvature of the smoothed line, (place,) [1/m], and its usual length over that of the given line."""
    half = min(max(round(3.0 * sigma_m / step_m), 1), x_m.size - 2)
    weights = np.exp(-0.5 * (np.arange(-half, half + 1) * step_m / sigma_m) ** 2)
    weights /= weights.sum()
    dx, dy = (np.convolve(np.pad(np.diff(v), half, mode="edge"), weights, mode="valid") for v in (x_m, y_m))
    # The smoothed line's own length: noise makes the given line longer than the road.
    length = np.maximum(np.hypot(dx, dy), 0.2 * step_m)
    turn = np.arctan2(dx[:-1] * dy[1:] - dy[:-1] * dx[1:], dx[:-1] * dx[1:] + dy[:-1] * dy[1:])
    return np.pad(np.abs(turn) / (0.5 * (length[1:] + length[:-1])), 1), float(np.median(length)) / step_m


def _widest_around(leg_m: Array, reach: int) -> Array:
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(leg_m, reach, mode="edge"), 2 * reach + 1)
    return np.asarray(windows.max(axis=1))
