"""Figures and times in the reader's own units, and the sentences every notice carries."""

from datetime import datetime
from zoneinfo import ZoneInfo

from alertd.plan.result import Plan, StopChoice, Stretch
from alertd.units import INCH_MM, to_fahrenheit, to_miles, to_mph

SIGNS = "Posted signs and officers decide; rules change."
PARKED = "Read only when parked."


def clock(when: datetime, zone: str) -> str:
    """Local time with its zone, e.g. "06:40 MST"."""
    return when.astimezone(ZoneInfo(zone)).strftime("%H:%M %Z")


def day_clock(when: datetime, zone: str) -> str:
    """Local day and time with zone, e.g. "Thu 14 Jan 06:40 MST"."""
    return when.astimezone(ZoneInfo(zone)).strftime("%a %d %b %H:%M %Z")


def mph(speed_mps: float) -> str:
    return f"{to_mph(speed_mps):.0f} mph"


def miles(distance_m: float) -> str:
    return f"{to_miles(distance_m):.0f} mi"


def minutes(seconds: float) -> str:
    whole = round(seconds / 60.0)
    return f"{whole // 60} h {whole % 60:02d} min" if whole >= 100 else f"{whole} min"


def fahrenheit(temp_c: float) -> str:
    return f"{to_fahrenheit(temp_c):.0f} F"


def inches(depth_mm: float) -> str:
    return f"{depth_mm / INCH_MM:.1f} in"


def percent(frac: float) -> str:
    """A probability for people: never 0 or 100, which no forecast can promise."""
    return f"{min(max(round(frac * 100), 1), 99)}%"


def likely(stretch: Stretch) -> str:
    """How sure, in words; where nothing is known no figure is given."""
    return "road not known" if stretch.unknown_frac == 1.0 else f"{percent(stretch.probability)} likely"


def age(hours: float) -> str:
    return "under 1 h" if hours < 1 else f"{hours:.0f} h"


def forecast_age(plan: Plan) -> str:
    """The age of the oldest source, e.g. "Forecast 2 h old"; "No forecast" when no source answered."""
    return f"Forecast {age(max(s.age_h for s in plan.sources))} old" if plan.sources else "No forecast"


def fcst_age(plan: Plan) -> str:
    """The same in fewer letters."""
    return forecast_age(plan).replace("Forecast", "Fcst")


def rule_text_age(plan: Plan, jurisdictions: tuple[str, ...] = ()) -> str:
    """The date of the oldest rule text used, e.g. "2020"; of some jurisdictions if named."""
    dates = [r.text_date for r in plan.rules if not jurisdictions or r.jurisdiction in jurisdictions]
    return str(min(dates).year) if dates else "none on file"


def stop_words(stop: StopChoice) -> str:
    """A place a driver can find: name, then milepost in brackets."""
    return f"{stop.name} ({stop.milepost})" if stop.milepost else stop.name
