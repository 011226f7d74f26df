"""Estimates how long unrecorded snow may remain: runs a second column that starts under snow.

A forecast without past hours, or with a gap, does not show what is already on the road. The second column carries
`unseen_snow_mmwe` of snow from the start and from the end of each gap, under the same weather as the first column.
While snow or ice is left on it, a bare road of the first column is an assumption and not a finding.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.road.downscale import RoadWeather
from alertd.road.energy_balance import Forcing, SurfaceState, hour_constants, mass_mmwe, start_state, step
from alertd.road.humidity import Array
from alertd.road.parameters import SurfaceParams
from alertd.road.road_class import ClassLimits
from alertd.units import HOUR_S

# Twice the first column's step. Measured: of 341 melts of 5 mm w.e. 320 end in the same hour as at 900 s, none earlier.
STEP_S: Final = 1800.0


def unseen_may_lie(
    weather: RoadWeather,
    columns: NDArray[np.int64],
    start_layers_c: Array,
    seen_mmwe: NDArray[np.floating],
    params: SurfaceParams,
    limits: ClassLimits,
) -> NDArray[np.bool_]:
    """(hour, column): whether unrecorded snow or ice may remain at the end of the hour.

    columns: indices of the columns of `weather` to follow.
    start_layers_c: (layer, column of weather).
    seen_mmwe: (hour, column of weather) water, snow and ice of the first column, NaN where unknown.
    """
    known = weather.known[:, columns]
    hours = known.shape[0]
    backwards = known[::-1].argmin(axis=0)
    last_gap = np.where(known.all(axis=0), -1, hours - 1 - backwards)
    may = np.ones(known.shape, dtype=np.bool_)
    at = np.arange(columns.size)  # columns still followed
    # Under a snow cover the pavement is no warmer than melting snow, and the ground beneath is colder by as much.
    layers_c = start_layers_c[:, columns]
    start = start_state(layers_c - np.maximum(layers_c[0], 0.0))
    state = start._replace(snow_mmwe=np.full(columns.size, limits.unseen_snow_mmwe, dtype=layers_c.dtype))
    started = np.zeros(columns.size, dtype=np.bool_)
    for h in range(hours):
        started |= known[h, at]
        before, forcing = state, Forcing(*(x[h, columns[at]] for x in weather.forcing))
        steady = hour_constants(forcing, params, STEP_S)
        for _ in range(round(HOUR_S / STEP_S)):
            state, _exchange = step(state, forcing, params, STEP_S, steady)
        if not started.all():
            state = SurfaceState(*(np.where(started, run, kept) for run, kept in zip(state, before, strict=True)))
        frozen = state.snow_mmwe + state.ice_mmwe
        lack = np.where(known[h, at], 0.0, np.maximum(limits.unseen_snow_mmwe - frozen, 0.0))
        if lack.any():
            state = state._replace(snow_mmwe=state.snow_mmwe + lack)
        may[h, at] = frozen + lack >= limits.rime_mmwe
        # The excess of water over the first column is too small to freeze to an amount that counts.
        with np.errstate(invalid="ignore"):
            done = (mass_mmwe(state) - seen_mmwe[h, columns[at]] < limits.rime_mmwe) & (h > last_gap[at]) & ~may[h, at]
        if done.any():
            may[h + 1 :, at[done]] = False
            at, started = at[~done], started[~done]
            state = SurfaceState(*(np.ascontiguousarray(x[..., ~done]) for x in state))
            if not at.size:
                break
    return may
