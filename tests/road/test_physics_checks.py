"""Every carried number from a handbook, paper or reference library, against our own formula.

fixtures/physics_checks.csv names the source of each row. Rows of role "slip guard" are evaluations of the very
formula or of elementary statics: they catch slips of the pen, they do not prove the formula.
"""

import csv
import json
import math
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from alertd.road import friction as grip
from alertd.road import humidity, precip_phase, radiation
from alertd.road.energy_balance import SPECIFIC_HUMIDITY_RATIO
from alertd.road.parameters import ROAD
from alertd.road.road_class import RoadClass
from alertd.units import FOOT_M, GRAVITY_MPS2, KELVIN_AT_0C, KMH_MPS, MPH_MPS

FIXTURE = Path(__file__).resolve().parents[2] / "fixtures" / "physics_checks.csv"


def _epoch(text: str) -> float:
    when = datetime.fromisoformat(text)
    return (when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp()


def _wet_bulb(i: dict[str, float]) -> Any:
    return humidity.wet_bulb_c(i["T_C"], i["RH_pct"] / 100.0, i["p_hPa"])


def stopping_distance_m(speed_mps: float, mu: float, grade: float, rolling: float, reaction_s: float = 0.0) -> float:
    """Distance to stop with every wheel braked at friction mu, m; inf where the grade is stronger than the brakes.

    A check of the carried friction only: no plan uses stopping distances.
    """
    angle = math.atan(grade)
    hold = (mu + rolling) * math.cos(angle) + math.sin(angle)
    if hold <= 0.0:
        return math.inf
    return speed_mps * reaction_s + speed_mps**2 / (2.0 * GRAVITY_MPS2 * hold)


def _frost_point_c(i: dict[str, float]) -> Any:
    vapour_hpa = humidity.vapour_pressure_hpa(i["T_C"], i["RH_water_pct"] / 100.0)
    return humidity._saturation_temp_c(vapour_hpa, humidity._ICE)


def _hoar_kg_h(i: dict[str, float]) -> Any:
    # The row is for neutral air and roughness lengths of 1e-3 and 1e-4 m.
    e = humidity.vapour_pressure_hpa(i["Ta_C"], i["RH"])
    carry = replace(ROAD, roughness_m=1e-3, heat_roughness_m=1e-4).neutral_exchange * i["U10"]
    density = 100.0 * i["p_hPa"] / (humidity.GAS_CONSTANT_DRY_AIR * (i["Ta_C"] + KELVIN_AT_0C))
    drop = SPECIFIC_HUMIDITY_RATIO * (e - humidity.svp_ice_hpa(i["Ts_C"])) / i["p_hPa"]
    return 3600.0 * density * carry * drop


def _stop_m(i: dict[str, float]) -> Any:
    return stopping_distance_m(i["v_kmh"] * KMH_MPS, i["mu"], -i["down_grade"], i["crr"])


FORMULAS: dict[str, Callable[[dict[str, Any]], Any]] = {
    "svp_water": lambda i: humidity.svp_water_hpa(i["T_C"]),
    "svp_ice": lambda i: humidity.svp_ice_hpa(i["T_C"]),
    "svp_water_supercooled": lambda i: humidity.svp_water_hpa(i["T_C"]),
    "dewpoint": lambda i: humidity.dew_point_c(i["T_C"], i["RH_pct"] / 100.0),
    "rh_from_dewpoint": lambda i: 100.0 * humidity.svp_water_hpa(i["Td_C"]) / humidity.svp_water_hpa(i["T_C"]),
    "frost_point": _frost_point_c,
    "rh_ice": lambda i: i["RH_water_pct"] * humidity.svp_water_hpa(i["T_C"]) / humidity.svp_ice_hpa(i["T_C"]),
    "wet_bulb_water": _wet_bulb,
    "wet_bulb_default_formula": _wet_bulb,
    "std_pressure": lambda i: humidity.isa_pressure_hpa(i["z_gpm"]),
    "std_pressure_geometric": lambda i: humidity.isa_pressure_hpa(i["z_m"]),
    "lapse_monthly": lambda i: 1000.0 * humidity.regime_lapse_k_per_m(0.0, 850.0, 0.5, 0.5, 0.0, i["month"]),
    "moist_adiabatic_lapse": lambda i: 1000.0 * humidity.moist_lapse_k_per_m(i["T_C"], i["p_hPa"]),
    "T_at_road": lambda i: humidity.temperature_at_height_c(
        i["T_grid_C"], i["z_grid_m"], i["z_road_m"], lapse_k_per_m=i["lapse_K_km"] / 1000.0
    ),
    "snow_fraction_from_snow_level": lambda i: precip_phase.snow_level_fraction(i["z_road_m"], i["snow_level_m"]),
    # Jennings et al. 2018 from temperature and humidity alone; plans use the form with pressure.
    "psnow_jennings_bivariate": lambda i: precip_phase._logistic(-10.04 + 1.41 * i["T_C"] + 9.0 * i["RH_pct"] / 100.0),
    "psnow_jennings_trivariate": lambda i: precip_phase.jennings_trivariate(
        i["T_C"], i["RH_pct"] / 100.0, 10.0 * i["p_kPa"]
    ),
    "psnow_wang2019": lambda i: precip_phase.wang_wet_bulb(i["Tw_C"]),
    "new_snow_density_lachapelle": lambda i: precip_phase.new_snow_density_kgm3(i["T_C"]),
    "solar_zenith": lambda i: radiation.solar_position(i["lat"], i["lon"], _epoch(i["time_utc"]))[0],
    "solar_azimuth": lambda i: radiation.solar_position(i["lat"], i["lon"], _epoch(i["time"]))[1],
    "ghi_clear_haurwitz": lambda i: radiation.clear_sky_wm2(i["zenith_deg"]),
    "hoar_frost_rate_neutral": _hoar_kg_h,
    "mu_required_drive": lambda i: grip.required_mu_climb(
        i["grade"], i["drive_share"], i["crr"], accel_mps2=i["accel"]
    ),
    "max_grade": lambda i: i["mu"] * i["drive_share"] - i["crr"],
    "stopping_distance_downgrade": _stop_m,
}


def _rows(quantities: set[str]) -> list[Any]:
    with FIXTURE.open(newline="", encoding="utf-8") as f:
        rows = [r for r in csv.DictReader(f) if r["quantity"] in quantities]
    return [
        pytest.param(
            r["quantity"],
            json.loads(r["inputs"]),
            float(r["expected"]),
            float(r["tolerance"]),
            id=f"{r['role']}: {r['quantity']} {r['inputs']} [{r['source'][:50]}]",
        )
        for r in rows
    ]


@pytest.mark.parametrize(("quantity", "inputs", "expected", "tolerance"), _rows(set(FORMULAS)))
def test_formula_gives_the_carried_number(
    quantity: str, inputs: dict[str, Any], expected: float, tolerance: float
) -> None:
    assert float(FORMULAS[quantity](inputs)) == pytest.approx(expected, abs=max(tolerance, 1e-9))


@pytest.mark.parametrize(("quantity", "inputs", "expected", "tolerance"), _rows({"humidity_ratio_from_wet_bulb"}))
def test_wet_bulb_lies_between_those_of_the_tabled_humidity(
    quantity: str, inputs: dict[str, float], expected: float, tolerance: float
) -> None:
    t, p = inputs["T_C"], inputs["p_hPa"]

    def wet_bulb(ratio: float) -> float:
        e = p * ratio / (humidity.WATER_TO_AIR_MASS + ratio)
        return float(humidity.wet_bulb_c(t, e / humidity.svp_water_hpa(t), p))

    assert wet_bulb(expected - tolerance) < inputs["Tw_C"] < wet_bulb(expected + tolerance)


def test_no_stop_where_the_grade_outpulls_the_brakes() -> None:
    """V²/30(f+G) with f = 0.06, G = -0.06 has no answer: infinite, not an exception and not negative."""
    assert stopping_distance_m(13.4, 0.06, -0.06, 0.0) == math.inf
    assert float(stopping_distance_m(13.4, 0.05, -0.06, 0.0)) == math.inf


def test_stop_with_reaction_matches_the_handbook_form() -> None:
    """AASHTO form 1.47 V t + V²/30(f+G): 30 mph, f 0.23, level, 2.5 s: 110.3 + 130.4 = 240.7 ft."""
    stop = float(stopping_distance_m(30.0 * MPH_MPS, 0.23, 0.0, 0.0, reaction_s=2.5)) / FOOT_M
    assert stop == pytest.approx(240.7, abs=0.6)


@pytest.mark.parametrize(("quantity", "inputs", "expected", "tolerance"), _rows({"friction_from_braking_distance"}))
def test_measured_stop_is_as_long_as_its_friction_says(
    quantity: str, inputs: dict[str, float], expected: float, tolerance: float
) -> None:
    """National Safety Council stops of cars, 20 mph, without rolling resistance."""
    stop = stopping_distance_m(inputs["v_mph"] * MPH_MPS, expected, 0.0, 0.0) / FOOT_M
    assert float(stop) == pytest.approx(inputs["d_ft"], rel=tolerance / expected)


# Navin's "traction" is force over gross weight of a straight truck; about 0.65 of it stands on the drive axle.
OBSERVED = {
    "packed_snow_braking_truck": (RoadClass.PACKED_SNOW, 1.0),
    "packed_snow_traction_truck_whole_vehicle": (RoadClass.PACKED_SNOW, 0.65),
    "bare_ice_braking_truck_-6C": (RoadClass.ICE, 1.0),
    "bare_ice_traction_truck_whole_vehicle_-6C": (RoadClass.ICE, 0.65),
}


@pytest.mark.parametrize(("quantity", "inputs", "expected", "tolerance"), _rows({"friction_observed"}))
def test_observed_truck_friction_lies_in_the_class_range(
    quantity: str, inputs: dict[str, str], expected: float, tolerance: float
) -> None:
    road_class, share = OBSERVED[inputs["case"]]
    friction = grip.FRICTION[road_class]
    assert friction.low <= expected / share <= friction.high


def test_every_carried_quantity_is_checked_somewhere() -> None:
    """A row that no test reads would be a check in name only."""
    here = set(FORMULAS) | {"humidity_ratio_from_wet_bulb", "friction_from_braking_distance", "friction_observed"}
    in_surface_tests = {
        "periodic_surface_amplitude",
        "periodic_phase_lag_surface",
        "periodic_amp_ratio",
        "const_flux_cooling",
        "film_freeze_time",
        "melt_power_1mm_per_h",
        "bridge_time_constant",
    }
    with FIXTURE.open(newline="", encoding="utf-8") as f:
        carried = {r["quantity"] for r in csv.DictReader(f)}
    assert carried == here | in_surface_tests


def test_nan_weather_gives_nan_not_a_number() -> None:
    for name in ("T_C", "RH_pct", "p_hPa"):
        inputs = {"T_C": 1.0, "RH_pct": 90.0, "p_hPa": 850.0} | {name: np.nan}
        assert np.isnan(_wet_bulb(inputs))
