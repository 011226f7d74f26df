"""Constants and unit conversions. Values are SI inside; the reader's units appear only at the edge."""

from typing import Final

KELVIN_AT_0C: Final = 273.15
GRAVITY_MPS2: Final = 9.80665  # standard gravity, ISO 80000-3
FOOT_M: Final = 0.3048  # international foot, exact
MILE_M: Final = 1609.344  # international mile, exact
INCH_MM: Final = 25.4  # exact
POUND_KG: Final = 0.45359237  # avoirdupois pound, exact
HORSEPOWER_W: Final = 745.6998715822702  # mechanical horsepower, 550 ft lbf/s
KMH_MPS: Final = 1.0 / 3.6
KNOT_MPS: Final = 1852.0 / 3600.0  # international nautical mile an hour, exact
MPH_MPS: Final = MILE_M / 3600.0
HOUR_S: Final = 3600.0


def to_mph(speed_mps: float) -> float:
    return speed_mps / MPH_MPS


def to_mps(speed_mph: float) -> float:
    return speed_mph * MPH_MPS


def to_miles(distance_m: float) -> float:
    return distance_m / MILE_M


def whole_before(at_m: float, edge_m: float, unit_m: float) -> int:
    """Return `at_m` in whole units, at least one before those of `edge_m` ahead of it, and never below 0."""
    return max(min(round(at_m / unit_m), round(edge_m / unit_m) - 1), 0)


def to_inches(length_m: float) -> float:
    return length_m * 1000.0 / INCH_MM


def to_feet(height_m: float) -> float:
    return height_m / FOOT_M


def to_fahrenheit(temp_c: float) -> float:
    return temp_c * 1.8 + 32.0


def minutes_words(seconds: float) -> str:
    """Return a duration in minutes, or in hours and minutes from 100 minutes on."""
    whole = round(seconds / 60.0)
    return f"{whole // 60} h {whole % 60:02d} min" if whole >= 100 else f"{whole} min"
