"""The column against road stations: nights driven with the station's own air, dew point and wind.

Some parameters were chosen with these same stations (see pavement.SurfaceParams), so this guards the choice and is
not an independent proof. Cloud was not observed, so each night is run under a clear and under an overcast
sky; the road should lie between.
"""

import csv
from collections import defaultdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from alertd.road import humidity, radiation
from alertd.road.energy_balance import Forcing, start_state, step
from alertd.road.parameters import ROAD

OBSERVED = Path(__file__).resolve().parents[3] / "shared" / "observations" / "road_surface_observations.csv"
SKIES = np.array([0.0, 0.5, 1.0])
STEP_S = 900.0
FIELDS = ("air_c", "dewpoint_c", "wind_kmh", "road_surface_c", "subsurface_40cm_c")


def _number(text: str) -> float:
    value = float(text) if text else np.nan
    return value if abs(value) < 900.0 else np.nan  # 999, 9999 and -9999 stand for missing


def _stations() -> dict[str, tuple[Any, Any, tuple[float, float]]]:
    """By case: times (n,), values (n, field), place; only stations with nine hours or more."""
    rows: dict[str, list[tuple[float, list[float], tuple[float, float]]]] = defaultdict(list)
    with OBSERVED.open(newline="", encoding="utf-8") as f:
        for r in csv.DictReader(f):
            values = [_number(r[name]) for name in FIELDS]
            if np.isfinite([values[0], values[1], values[3]]).all():
                when = datetime.fromisoformat(r["time_utc"])
                epoch = (when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp()
                rows[r["case"]].append((epoch, values, (float(r["lat"]), float(r["lon"]))))
    found = {}
    for case, entries in rows.items():
        entries.sort()
        times = np.array([e[0] for e in entries])
        if times.size >= 10 and times[-1] - times[0] > 9 * 3600.0:
            found[case] = times, np.array([e[1] for e in entries]), entries[0][2]
    return found


def _hindcast(times: Any, values: Any, place: tuple[float, float]) -> tuple[Any, Any] | None:
    """Night temperatures after four hours of run-in: modelled (time, sky), observed (time,)."""
    at = np.arange(times[0], times[-1], STEP_S)
    wind_ms = np.where(np.isfinite(values[:, 2]), values[:, 2] / 3.6, 2.0)
    air_c, dew_c, wind, road_c = (np.interp(at, times, v) for v in (values[:, 0], values[:, 1], wind_ms, values[:, 3]))
    deep = values[np.isfinite(values[:, 4]), 4]
    centre = np.cumsum(ROAD.layers_m) - 0.5 * np.array(ROAD.layers_m)
    start = np.interp(centre, [0.0, 0.4], [values[0, 3], deep[0] if deep.size else air_c.mean()])
    state = start_state(np.repeat(start[:, None], SKIES.size, axis=1))
    zenith, _ = radiation.solar_position(*place, at)
    one, modelled = np.ones(SKIES.size), np.empty((at.size, SKIES.size))
    for n in range(at.size):
        e = humidity.svp_water_hpa(dew_c[n]) * one
        sw = radiation.clear_sky_wm2(zenith[n]) * radiation.cloud_transmission_frac(SKIES)
        lw = radiation.longwave_wm2(air_c[n], e, SKIES)
        dry = 0.0 * one
        f = Forcing(air_c[n] * one, e, 1000.0 * one, wind[n] * one, sw, lw, dry, dry, dry)
        state, _ = step(state, f, ROAD, STEP_S)
        modelled[n] = state.surface_temp_c
    night = (zenith[1:] > 95.0) & (at[1:] - at[0] > 4 * 3600.0)
    if night.sum() < 8 or not np.isfinite(modelled).all():
        return None
    return modelled[:-1][night], road_c[1:][night]


@pytest.mark.needs_shared
@pytest.mark.skipif(not OBSERVED.exists(), reason="road station observations are not beside this checkout")
def test_observed_nights_lie_between_a_clear_and_an_overcast_sky() -> None:
    """Measured over 17 stations: inside (0.5 K slack) in 83 % of the hours; under a half-covered sky mean error
    +0.4 K and mean absolute error 1.6 K. Monthly MAE of road models: 0.9 K (Toivonen et al. 2019), with cloud known.
    """
    runs = [r for r in (_hindcast(*s) for s in _stations().values()) if r is not None]
    assert len(runs) >= 15
    inside = [np.mean((m[:, 0] <= o + 0.5) & (m[:, 2] >= o - 0.5)) for m, o in runs]
    bias = [np.mean(m[:, 1] - o) for m, o in runs]
    error = [np.mean(np.abs(m[:, 1] - o)) for m, o in runs]
    assert np.mean(inside) > 0.75
    assert abs(np.mean(bias)) < 0.6
    assert np.mean(error) < 1.8
