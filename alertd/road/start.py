"""How warm the ground is where a forecast begins: no road sensor tells it, so it comes from the first day's weather.

A road is not as warm as the air over it: sun, clear nights and the season's lag set its temperature. The first day is
run once from the mean air temperature. Then the column is moved so that its mean lies halfway between that day's air
and the mean surface temperature the day alone would lead to, with the day's own wave kept; and the ground is warmer
the deeper it lies.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.road.air import Array
from alertd.road.pavement import SurfaceParams
from alertd.road.surface import Forcing, advance, start_state, still
from alertd.units import HOUR_S

DAY_H: Final = 24


def first_day(known: NDArray[np.bool_], forcing: Forcing) -> Forcing:
    """Each column's 24 hours from its first known one on, (24, column); the end repeated where hours run out."""
    begin = np.argmax(known, axis=0)
    if not begin.any():
        return Forcing(*(x[:DAY_H] for x in forcing))
    rows = np.minimum(begin[None, :] + np.arange(DAY_H)[:, None], known.shape[0] - 1)
    return Forcing(*(np.take_along_axis(x, rows, axis=0) for x in forcing))


def settled_layers(day: Forcing, p: SurfaceParams) -> Array:
    """(layer, column): temperatures with which a dry road begins the day whose weather is given, (24, column).

    Steps of an hour are coarse for snow and ice but not for the warmth of the ground, which is all that is kept. With
    less than a day given there is no mean to settle to: the column starts at the mean air temperature.
    """
    hours = day.air_temp_c.shape[0]
    mean_air = day.air_temp_c.mean(axis=0)
    deep = deep_surplus_c(p)[:, None]
    state = start_state(np.repeat(mean_air[None, :], len(p.layers_m), axis=0))
    if hours < DAY_H:
        return np.asarray(state.layer_temp_c + deep)
    total, dry = np.zeros_like(state.layer_temp_c), np.zeros_like(mean_air)
    for h in range(hours):
        weather = Forcing(*(x[h] for x in day))._replace(rain_mmwe_h=dry, freezing_mmwe_h=dry, snow_mmwe_h=dry)
        state, _ = advance(state, weather, p, HOUR_S, still(weather, p))
        state = start_state(state.layer_temp_c)
        total += state.layer_temp_c
    mean = total / hours
    aim = mean_air + p.start_settling * (mean[0] - mean_air)
    return np.asarray(state.layer_temp_c + (aim - mean) + deep)


def deep_surplus_c(p: SurfaceParams) -> Array:
    """(layer,) by how much the ground starts warmer than the surface's mean; 0 for a deck with air under it."""
    if p.underside_wm2k > 0.0:
        return np.zeros(len(p.layers_m))
    thick: Array = np.asarray(p.layers_m)
    depth = np.cumsum(thick) - 0.5 * thick
    return np.asarray(p.deep_surplus_k * -np.expm1(-depth / 0.3))
