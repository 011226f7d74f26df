"""Parses METAR and SPECI texts: groups in SI units, and weather groups as phenomena.

The `metar` library parses the text; the table of weather groups is WMO code table 4678 (Manual on Codes, No. 306).
"""

import re
import warnings
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from metar.Metar import Metar

from alertd.forecast.observations import Phenomenon
from alertd.units import INCH_MM

NAN = float("nan")
MAX_TEXT = 1000  # characters; a report with long remarks has about 300
_GROUP = re.compile(r"^(?:-|\+|VC|RE)?(?:MI|BC|PR|DR|BL|SH|TS|FZ)*(?:[A-Z]{2})*$")
_PLAIN = {
    "RA": Phenomenon.RAIN,
    "DZ": Phenomenon.DRIZZLE,
    "SN": Phenomenon.SNOW,
    "SG": Phenomenon.SNOW_GRAINS,
    "GS": Phenomenon.SNOW_PELLETS,
    "PL": Phenomenon.ICE_PELLETS,
    "PE": Phenomenon.ICE_PELLETS,  # before 1998
    "IC": Phenomenon.ICE_CRYSTALS,
    "GR": Phenomenon.HAIL,
    "UP": Phenomenon.UNKNOWN_PRECIPITATION,
    "FG": Phenomenon.FOG,
    "BR": Phenomenon.MIST,
    "TS": Phenomenon.THUNDERSTORM,
}
_WITH = {
    "FZ": {"RA": Phenomenon.FREEZING_RAIN, "DZ": Phenomenon.FREEZING_DRIZZLE, "FG": Phenomenon.FREEZING_FOG},
    "BL": {"SN": Phenomenon.BLOWING_SNOW},
    "DR": {"SN": Phenomenon.DRIFTING_SNOW},
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Groups:
    """Values of a text; NaN, or None for the weather, where it gives none."""

    air_temp_c: float = NAN
    dew_point_c: float = NAN
    wind_mps: float = NAN
    gust_mps: float = NAN
    wind_from_deg: float = NAN
    visibility_m: float = NAN
    precip_last_hour_mmwe: float = NAN
    weather: tuple[Phenomenon, ...] | None = None


def phenomena_in(groups: Iterable[str], raw: str) -> tuple[Phenomenon, ...] | None:
    """Return the phenomena of weather groups such as "-SN", "BLSN" or "FZRASN", in order; None if not observed.

    Not observed means one of: slashes in the group's place, a sensor out of order (PWINO), or no group from a station
    that cannot distinguish rain from snow (AO1). Weather in the vicinity (VC) or recent weather (RE) is not at the
    station.
    """
    out: list[Phenomenon] = []
    for group in groups:
        if group.startswith("/"):
            return None
        if not _GROUP.match(group) or group.startswith(("VC", "RE")):
            continue
        pairs = re.findall("..", group.lstrip("+-"))
        with_: Mapping[str, Phenomenon] = next((_WITH[p] for p in pairs if p in _WITH), {})
        for pair in pairs:
            phenomenon = with_.get(pair) or _PLAIN.get(pair)
            if phenomenon is not None and phenomenon not in out:
                out.append(phenomenon)
    words = raw.split()
    not_observed = "PWINO" in words or (not out and "AO1" in words)
    return None if not_observed else tuple(out)


def read_text(raw: str, observed_at: datetime) -> Groups:
    """Parse the groups of a text. observed_at: gives the month and year, which the text lacks."""
    if not raw.strip() or len(raw) > MAX_TEXT:
        return Groups()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # about unknown groups, which stay unknown here
        try:
            report = Metar(raw.strip(), month=observed_at.month, year=observed_at.year, strict=False)
        except Exception:  # the library raises many exceptions on invalid text
            return Groups()
    if report.time is None:  # not a report
        return Groups()
    wind_mps = _in(report.wind_speed, "MPS")
    return Groups(
        air_temp_c=_in(report.temp, "C"),
        dew_point_c=_in(report.dewpt, "C"),
        wind_mps=wind_mps,
        gust_mps=_in(report.wind_gust, "MPS"),
        wind_from_deg=NAN if report.wind_dir is None or wind_mps == 0.0 else float(report.wind_dir.value()),
        visibility_m=_in(report.vis, "M"),
        precip_last_hour_mmwe=_in(report.precip_1hr, "IN") * INCH_MM,
        weather=phenomena_in(("".join(part or "" for part in group) for group in report.weather), raw),
    )


def _in(quantity: Any, unit: str) -> float:
    return NAN if quantity is None else float(quantity.value(unit))
