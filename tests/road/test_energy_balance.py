"""The road column against exact solutions of heat conduction, and its books of energy and mass."""

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.road import energy_balance
from alertd.road.energy_balance import Forcing, SurfaceState, start_state, step
from alertd.road.humidity import vapour_pressure_hpa
from alertd.road.parameters import BRIDGE_DECK, ROAD, SurfaceParams

FIXTURE = Path(__file__).resolve().parents[2] / "fixtures" / "physics_checks.csv"
DAY_S = 86400.0


def _rows(quantity: str) -> list[tuple[dict[str, float], float, float]]:
    with FIXTURE.open(newline="", encoding="utf-8") as f:
        rows = [r for r in csv.DictReader(f) if r["quantity"] == quantity]
    return [(json.loads(r["inputs"]), float(r["expected"]), float(r["tolerance"])) for r in rows]


def bare_slab(k_wmk: float, c_jm3k: float, layers_m: tuple[float, ...]) -> SurfaceParams:
    """A uniform ground that exchanges nothing with the sky: shortwave alone is the flux prescribed at its top."""
    return SurfaceParams(
        layers_m=layers_m,
        pavement_k_wmk=k_wmk,
        pavement_c_jm3k=c_jm3k,
        base_k_wmk=k_wmk,
        base_c_jm3k=c_jm3k,
        albedo=0.0,
        snow_albedo=0.0,
        emissivity=0.0,
        wind_floor_mps=1e-12,
        film_mmwe=10.0,
    )


# Fine at the top, so that the centre of the first layer is all but the surface.
FINE_M = (0.002, 0.002, 0.004, 0.006, 0.01, 0.015, 0.02, 0.03, 0.04, 0.06, 0.09, 0.14, 0.2, 0.3, 0.4)


def flux_only(wm2: float, columns: int = 1) -> Forcing:
    """A prescribed flux into the top. Air far warmer than the road keeps the (windless) exchange stable, hence nil."""
    n = np.ones(columns)
    return Forcing(60.0 * n, 0.0 * n, 900.0 * n, 0.0 * n, wm2 * n, 0.0 * n, 0.0 * n, 0.0 * n, 0.0 * n)


def weather(
    air_c: float, rh: float, *, wind: float = 3.0, lw: float = 250.0, sw: float = 0.0, **fall: float
) -> Forcing:
    one = np.ones(1)
    e = vapour_pressure_hpa(air_c, rh)
    return Forcing(
        air_c * one,
        e * one,
        850.0 * one,
        wind * one,
        sw * one,
        lw * one,
        fall.get("rain", 0.0) * one,
        fall.get("freezing", 0.0) * one,
        fall.get("snow", 0.0) * one,
    )


def run(state: SurfaceState, f: Forcing, params: SurfaceParams, hours: float, dt_s: float = 900.0) -> SurfaceState:
    for _ in range(round(hours * 3600.0 / dt_s)):
        state, _ = step(state, f, params, dt_s)
    return state


def flat(params: SurfaceParams, temp_c: float, columns: int = 1) -> SurfaceState:
    return start_state(np.full((len(params.layers_m), columns), temp_c))


def _periodic(i: dict[str, float], layers_m: tuple[float, ...]) -> tuple[Any, Any]:
    """Last day of eight under a sinusoidal flux: (step, layer) temperatures and times."""
    params = bare_slab(i["k"], i["C"], layers_m)
    state, dt = flat(params, 5.0), 600.0
    steps = round(8 * i["period_s"] / dt)
    temps = np.empty((steps, len(layers_m)))
    for n in range(steps):
        middle = (n + 0.5) * dt
        amplitude = i.get("flux_amp_W_m2", 100.0)
        state, _ = step(state, flux_only(amplitude * np.sin(2 * np.pi * middle / i["period_s"])), params, dt)
        temps[n] = state.layer_temp_c[:, 0]
    last = round(i["period_s"] / dt)
    return temps[-last:], (np.arange(steps)[-last:] + 1.0) * dt


def _wave(temps: Any, times: Any, period_s: float) -> tuple[float, float]:
    """Amplitude and phase (radians behind a sine) of the first harmonic."""
    turn = np.exp(-2j * np.pi * times / period_s)
    c = 2.0 * np.mean(temps * turn)
    return float(np.abs(c)), float(-np.pi / 2.0 - np.angle(c))


@pytest.mark.parametrize(("inputs", "expected", "tolerance"), _rows("periodic_surface_amplitude"))
def test_daily_flux_swings_the_surface_as_carslaw_and_jaeger_say(
    inputs: dict[str, float], expected: float, tolerance: float
) -> None:
    """Carslaw & Jaeger, Conduction of Heat in Solids, semi-infinite solid under a periodic flux.

    The first layer's centre lies 1 mm down, where the exact wave is exp(-z/d) smaller. 2 % for steps of 600 s.
    """
    temps, times = _periodic(inputs, FINE_M)
    depth = 0.5 * FINE_M[0]
    damping = np.sqrt(inputs["k"] * inputs["period_s"] / (np.pi * inputs["C"]))
    amplitude, _ = _wave(temps[:, 0], times, inputs["period_s"])
    assert amplitude == pytest.approx(expected * np.exp(-depth / damping), rel=0.02)


@pytest.mark.parametrize(("inputs", "expected", "tolerance"), _rows("periodic_phase_lag_surface"))
def test_the_surface_lags_the_flux_by_an_eighth_of_a_day(
    inputs: dict[str, float], expected: float, tolerance: float
) -> None:
    temps, times = _periodic(inputs, FINE_M)
    _, lag = _wave(temps[:, 0], times, inputs["period_s"])
    # Implicit steps of 600 s delay by half a step.
    assert lag * inputs["period_s"] / (2 * np.pi) / 3600.0 == pytest.approx(expected, abs=tolerance + 300.0 / 3600.0)


@pytest.mark.parametrize(("inputs", "expected", "tolerance"), _rows("periodic_amp_ratio"))
def test_the_daily_wave_fades_with_depth(inputs: dict[str, float], expected: float, tolerance: float) -> None:
    layers = tuple([0.02] * 60)
    temps, times = _periodic(inputs, layers)
    top, deep = (_wave(temps[:, j], times, inputs["period_s"])[0] for j in (0, 5))  # centres 0.01 and 0.11 m
    assert deep / top == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize(("inputs", "expected", "tolerance"), _rows("const_flux_cooling"))
@pytest.mark.parametrize("layers_m", [ROAD.layers_m, FINE_M])
def test_a_night_of_constant_loss_cools_by_the_square_root_law(
    layers_m: tuple[float, ...], inputs: dict[str, float], expected: float, tolerance: float
) -> None:
    params = bare_slab(inputs["k"], inputs["C"], layers_m)
    state = run(flat(params, -1.0), flux_only(inputs["flux_W_m2"]), params, inputs["hours"], 600.0)
    surface_c = state.layer_temp_c[0, 0] + 0.5 * layers_m[0] * inputs["flux_W_m2"] / inputs["k"]
    assert surface_c + 1.0 == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize(("inputs", "expected", "tolerance"), _rows("film_freeze_time"))
@pytest.mark.parametrize("layers_m", [ROAD.layers_m, FINE_M], ids=["1 cm top", "2 mm top"])
def test_cold_ground_freezes_a_film_in_the_exact_time(
    layers_m: tuple[float, ...], inputs: dict[str, float], expected: float, tolerance: float
) -> None:
    """Film at 0 °C laid on ground below 0 °C: pi alpha (M L)^2 / (4 k^2 dT^2).

    The first layer gives its own cold at once, and time goes with the square of what is left to freeze: the column
    is quicker than the exact time by that at most, and never slower. Too quick is the cautious side.
    """
    params = bare_slab(inputs["k"], inputs["C"], layers_m)
    film = np.array([inputs["film_kg_m2"]])
    # The top node has one temperature: the film's own warmth, from the ground's cold up to 0 °C, is owed to it.
    warmth = energy_balance.HEAT_CAPACITY_WATER * film * inputs["ground_below_0_K"]
    state = flat(params, -inputs["ground_below_0_K"])._replace(water_mmwe=film, deferred_jm2=warmth)
    dt, elapsed = expected / 500.0, 0.0
    while state.water_mmwe[0] > 0.0 and elapsed < 4 * expected:
        state, _ = step(state, flux_only(0.0), params, dt)
        elapsed += dt
    at_once = layers_m[0] * inputs["C"] * inputs["ground_below_0_K"] / (inputs["film_kg_m2"] * inputs["Lf"])
    assert expected * (1.0 - at_once) ** 2 < elapsed < expected * 1.02
    if layers_m == FINE_M:
        assert elapsed == pytest.approx(expected, rel=0.10)


@pytest.mark.parametrize(("inputs", "expected", "tolerance"), _rows("melt_power_1mm_per_h"))
def test_a_millimetre_an_hour_melts_with_the_latent_heat_of_it(
    inputs: dict[str, float], expected: float, tolerance: float
) -> None:
    params = bare_slab(1.0, 2.0e6, ROAD.layers_m)
    icy = flat(params, 0.0)._replace(ice_mmwe=np.array([5.0]))
    after = run(icy, flux_only(expected), params, 1.0)
    assert 5.0 - after.ice_mmwe[0] == pytest.approx(1.0, rel=0.002)
    assert after.surface_temp_c[0] == 0.0


@pytest.mark.parametrize(("inputs", "expected", "tolerance"), _rows("bridge_time_constant"))
def test_a_deck_follows_the_air_with_its_time_constant(
    inputs: dict[str, float], expected: float, tolerance: float
) -> None:
    """Lumped capacitance C H / (h1 + h2), the slab made so conductive that it has one temperature."""
    thick = inputs["thickness_m"]
    params = SurfaceParams(
        layers_m=tuple([thick / 10] * 10),
        pavement_k_wmk=1.5e3,
        pavement_c_jm3k=inputs["C"],
        underside_wm2k=inputs["h_bottom"],
        emissivity=0.0,
    )
    # Neutral exchange that makes the top's coefficient h_top; the air is dry and the stability correction held out.
    density = 900.0 * 100.0 / (287.05 * 273.15)
    wind = inputs["h_top"] / (density * 1005.0 * params.neutral_exchange)
    one = np.ones(1)
    f = Forcing(0.0 * one, 6.1 * one, 900.0 * one, wind * one, 0 * one, 0 * one, 0 * one, 0 * one, 0 * one)
    state, hours = flat(params, 1.0), 0.0
    while state.surface_temp_c[0] > np.exp(-1.0):
        state, _ = step(state, f, params, 60.0)
        # Dry slab: dew that the warm air lays down would add its heat.
        state = state._replace(water_mmwe=0 * one, ice_mmwe=0 * one)
        hours += 60.0 / 3600.0
    assert hours == pytest.approx(expected, rel=0.1)


def test_black_ice_comes_within_minutes_where_the_film_is_thin() -> None:
    """0.1 mm on a road at -1 °C freezes within a quarter of an hour, though 1 mm would take hours."""
    thin = flat(ROAD, -1.0)._replace(water_mmwe=np.array([0.1]))
    thick = flat(ROAD, -1.0)._replace(water_mmwe=np.array([1.0]))
    cold = weather(0.0, 1.0, lw=315.0)
    assert run(thin, cold, ROAD, 0.25).water_mmwe[0] == 0.0
    assert run(thick, cold, ROAD, 0.25).water_mmwe[0] > 0.5


FALL = st.one_of(st.just(0.0), st.floats(0.0, 20.0))
HOUR = st.tuples(
    st.floats(-25.0, 15.0),  # air
    st.floats(0.05, 1.0),  # humidity
    st.floats(0.0, 25.0),  # wind
    st.floats(0.0, 900.0),  # sun
    st.floats(150.0, 380.0),  # sky
    FALL,
    FALL,
    st.floats(0.0, 1.0),  # part of the rain that is supercooled
)


@given(hours=st.lists(HOUR, min_size=1, max_size=6), start_c=st.floats(-15.0, 25.0))
@pytest.mark.parametrize(
    "params", [ROAD, BRIDGE_DECK, SurfaceParams(traffic_vph=120.0, snow_k_wmk=0.2)], ids=["road", "deck", "traffic"]
)
def test_energy_and_mass_close_and_no_store_goes_negative(
    params: SurfaceParams, hours: list[tuple[float, ...]], start_c: float
) -> None:
    """Whatever the weather: what came in is what is there, to 1e-6 J/m² and 1e-11 mm a step."""
    state = flat(params, start_c)
    for air_c, rh, wind, sw, lw, rain, snow, cold_part in hours:
        f = weather(air_c, rh, wind=wind, sw=sw, lw=lw, rain=rain, snow=snow, freezing=rain * cold_part)
        for _ in range(4):
            new, e = step(state, f, params, 900.0)
            heat = energy_balance.enthalpy_jm2(new, params) - energy_balance.enthalpy_jm2(state, params)
            assert abs(heat - energy_balance.energy_in_jm2(new, e, f, 900.0))[0] < 1e-6
            vapour = e.vapour_water_mmwe + e.vapour_ice_mmwe
            fell = (f.rain_mmwe_h + f.snow_mmwe_h) * 0.25
            mass = energy_balance.mass_mmwe(new) - energy_balance.mass_mmwe(state)
            assert abs(mass - (fell + vapour - e.runoff_mmwe - e.swept_mmwe))[0] < 1e-11
            stores = np.array([s[0] for s in new[1:7]])
            assert (stores >= 0.0).all()
            assert new.glaze_mmwe[0] + new.packed_mmwe[0] <= new.ice_mmwe[0] + 1e-9
            assert new.supercooled_mmwe[0] <= new.water_mmwe[0] + 1e-9
            state = new


@pytest.mark.parametrize(
    ("start_c", "stores", "air_c", "rh", "rain"),
    [
        (2.0, {"water_mmwe": 0.5}, 4.0, 0.3, 0.0),  # a film dries
        (2.0, {"water_mmwe": 0.002}, 4.0, 0.1, 0.0),  # and runs out within the step
        (-3.0, {"ice_mmwe": 0.5}, -2.0, 0.3, 0.0),  # ice sublimates
        (-3.0, {}, -1.0, 1.0, 0.0),  # frost forms
        (3.0, {}, 8.0, 1.0, 0.0),  # dew forms
        (-0.2, {}, 3.0, 0.2, 2.0),  # rain on a cold road that is charged as ice and is water
        (0.0, {"snow_mmwe": 0.3}, 5.0, 0.2, 0.0),  # snow that melts away in dry wind
    ],
)
def test_vapour_takes_its_own_latent_heat(
    start_c: float, stores: dict[str, float], air_c: float, rh: float, rain: float
) -> None:
    """Without radiation the surface flux is sensible heat plus 2.501 MJ/kg of water and 2.835 MJ/kg of ice vapour."""
    params = SurfaceParams(emissivity=0.0)
    state = flat(params, start_c)._replace(**{n: np.array([v]) for n, v in stores.items()})
    f = weather(air_c, rh, wind=8.0, rain=rain)
    new, e = step(state, f, params, 900.0)
    warmer_k = f.air_temp_c - state.surface_temp_c
    richardson = 9.80665 * params.air_height_m * warmer_k / ((f.air_temp_c + 273.15) * f.wind_mps**2)  # bulk number
    coefficient = energy_balance._exchange(richardson, params)
    density = 850.0 * 100.0 / (287.05 * (air_c + 273.15))
    sensible = 1005.0 * density * coefficient * 8.0 * (air_c - new.surface_temp_c)
    latent = (2.501e6 * e.vapour_water_mmwe + 2.835e6 * e.vapour_ice_mmwe) / 900.0
    assert abs(latent[0]) > 0.5
    # Fluxes are in single precision.
    assert float((e.surface_wm2 - sensible - latent)[0]) == pytest.approx(0.0, abs=1e-3)


def test_a_wet_road_dries_and_is_cooler_for_it() -> None:
    dry, wet = flat(ROAD, 6.0), flat(ROAD, 6.0)._replace(water_mmwe=np.array([0.5]))
    wind = weather(6.0, 0.4, wind=6.0, lw=280.0, sw=200.0)
    assert run(wet, wind, ROAD, 1.0).surface_temp_c[0] < run(dry, wind, ROAD, 1.0).surface_temp_c[0] - 0.5
    assert run(wet, wind, ROAD, 6.0).water_mmwe[0] < 0.1


def test_snow_turns_the_sun_away() -> None:
    """Absorbed: 0.8 of the sun by aged asphalt, 0.35 by deep snow."""
    noon = weather(-8.0, 0.7, sw=500.0)
    deep, bare = flat(ROAD, -8.0)._replace(snow_mmwe=np.array([30.0])), flat(ROAD, -8.0)
    flux = [step(s, f, ROAD, 1.0)[1].surface_wm2[0] for s in (deep, bare) for f in (noon, weather(-8.0, 0.7))]
    assert flux[0] - flux[1] == pytest.approx(0.35 * 500.0, rel=0.02)
    assert flux[2] - flux[3] == pytest.approx(0.80 * 500.0, rel=0.02)


def test_surface_stays_at_zero_while_water_and_ice_coexist() -> None:
    state = flat(ROAD, 1.0)
    seen = 0
    for h in range(24):
        f = weather(-0.5, 0.95, rain=0.5 if h % 3 == 0 else 0.0, snow=1.0 if h % 2 else 0.0, lw=300.0)
        state = run(state, f, ROAD, 1.0)
        if state.water_mmwe[0] > 1e-9 and state.snow_mmwe[0] + state.ice_mmwe[0] > 1e-9:
            assert state.surface_temp_c[0] == 0.0
            seen += 1
    assert seen > 3


def test_freezing_rain_makes_glaze_and_rain_on_cold_road_ice() -> None:
    rain = run(flat(ROAD, -4.0), weather(-2.0, 0.95, rain=1.0, lw=300.0), ROAD, 3.0)
    glaze = run(flat(ROAD, -4.0), weather(-2.0, 0.95, rain=1.0, freezing=1.0, lw=300.0), ROAD, 3.0)
    assert rain.ice_mmwe[0] > 0.1
    assert rain.glaze_mmwe[0] == 0.0
    assert glaze.glaze_mmwe[0] == pytest.approx(glaze.ice_mmwe[0], rel=0.05)


def test_thawed_freezing_rain_freezes_again_as_plain_ice() -> None:
    wet = run(flat(ROAD, 6.0), weather(3.0, 0.95, rain=1.0, freezing=1.0, lw=320.0), ROAD, 2.0)
    assert wet.supercooled_mmwe[0] == 0.0
    frozen = run(wet, weather(-8.0, 0.95, lw=220.0), ROAD, 12.0)
    assert frozen.ice_mmwe[0] > 0.1
    assert frozen.glaze_mmwe[0] == 0.0


def test_a_bridge_deck_is_colder_than_the_road_on_a_frosty_night() -> None:
    night = weather(-3.0, 0.85, wind=1.5, lw=220.0)
    road, deck = run(flat(ROAD, 4.0), night, ROAD, 10.0), run(flat(BRIDGE_DECK, 4.0), night, BRIDGE_DECK, 10.0)
    assert deck.surface_temp_c[0] < road.surface_temp_c[0] - 0.5


def test_traffic_packs_snow_only_where_it_is_asked_for() -> None:
    storm = weather(-6.0, 0.95, snow=3.0, lw=290.0)
    quiet = run(flat(ROAD, -5.0), storm, ROAD, 4.0)
    busy_road = SurfaceParams(traffic_vph=150.0)
    busy = run(flat(busy_road, -5.0), storm, busy_road, 4.0)
    assert quiet.packed_mmwe[0] == 0.0
    assert busy.packed_mmwe[0] > 1.0
    assert busy.snow_mmwe[0] < quiet.snow_mmwe[0]


def test_columns_do_not_feel_each_other() -> None:
    rng = np.random.default_rng(5)
    n = 7
    state = start_state(rng.normal(-1.0, 2.0, (len(ROAD.layers_m), n)))
    f = Forcing(
        rng.normal(-1, 3, n), rng.uniform(3, 6, n), np.full(n, 850.0), rng.uniform(0, 9, n), rng.uniform(0, 300, n),
        rng.uniform(200, 310, n), rng.uniform(0, 1, n), np.zeros(n), rng.uniform(0, 2, n),
    )  # fmt: skip
    whole, _ = step(state, f, ROAD, 900.0)
    third = SurfaceState(state.layer_temp_c[:, 2:3], *(s[2:3] for s in state[1:]))
    alone, _ = step(third, Forcing(*(x[2:3] for x in f)), ROAD, 900.0)
    for together, single in zip(whole[1:], alone[1:], strict=True):
        assert together[2] == single[0]
    assert (whole.layer_temp_c[:, 2] == alone.layer_temp_c[:, 0]).all()


def test_nan_weather_spoils_the_column_and_only_it() -> None:
    state = start_state(np.full((len(ROAD.layers_m), 2), -1.0))
    one = np.ones(2)
    f = Forcing(np.array([np.nan, -2.0]), 5 * one, 850 * one, 3 * one, 0 * one, 250 * one, 0 * one, 0 * one, one)
    after, _ = step(state, f, ROAD, 900.0)
    assert np.isnan(after.surface_temp_c[0])
    assert np.isfinite(after.surface_temp_c[1])
