"""Parses METAR and SPECI texts: groups in SI units, and weather groups as phenomena.

The `metar` library parses the text; the table of weather groups is WMO code table 4678 (Manual on Codes, No. 306).
"""

import re
import warnings
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

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
    precip_3h_mmwe: float = NAN
    precip_6h_mmwe: float = NAN
    precip_24h_mmwe: float = NAN
    coded_rate_mmwe_h: float = NAN
    cloud_frac: float = NAN
    snow_depth_m: float = NAN
    weather: tuple[Phenomenon, ...] | None = None


def phenomena_in(groups: Iterable[str], raw: str) -> tuple[Phenomenon, ...] | None:
    """Return the phenomena of weather groups such as "-SN", "BLSN" or "FZRASN", in order; None if not observed.

    Not observed means one of: slashes in the group's place, a sensor out of order (PWINO), or no group from a station
    that cannot distinguish rain from snow (AO1). Where the sensor of freezing rain is out of order (FZRANO), rain and
    drizzle near freezing are of unknown form. Weather in the vicinity (VC) or recent weather (RE) is not at the
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
    if "FZRANO" in words and not _is_warm(raw):
        unsure = {Phenomenon.RAIN, Phenomenon.DRIZZLE}
        out = list(dict.fromkeys(Phenomenon.UNKNOWN_PRECIPITATION if p in unsure else p for p in out))
    not_observed = "PWINO" in words or (not out and "AO1" in words)
    return None if not_observed else tuple(out)


_TEMPERATURE: Final = re.compile(r"\s(M?\d\d)/")
RAIN_IS_LIQUID_C: Final = 3  # [A] whole degrees, for a group that is rounded and a sensor 2 m above the road


def _is_warm(raw: str) -> bool:
    """Whether a text gives an air temperature at which rain does not freeze."""
    found = _TEMPERATURE.search(raw)
    return found is not None and float(found[1].replace("M", "-")) > RAIN_IS_LIQUID_C


# Rates of water by intensity, mm/h: light, moderate, heavy. Liquid: within the classes of FMH-1 (2019), tables 8-2 and
# 8-3 (rain to 2.5, to 7.6 mm/h; drizzle to 0.25, to 0.5). Snow: light to 1, moderate to 2.5 mm/h of water (Rasmussen et
# al. 1999, J. Appl. Meteor. 38, 1542). Classes from memory; [A] the values within them, and all of the others.
_RATES_MMWE_H: Final[dict[str, tuple[float, float, float]]] = {
    "DZ": (0.12, 0.37, 0.7),
    "RA": (1.0, 4.5, 10.0),
    "SN": (0.5, 1.7, 3.5),
    "SG": (0.1, 0.3, 0.5),
    "PL": (1.0, 3.0, 6.0),
    "PE": (1.0, 3.0, 6.0),
    "GS": (1.0, 3.0, 6.0),
    "GR": (3.0, 6.0, 12.0),
    "IC": (0.02, 0.05, 0.1),
    "UP": (0.5, 1.7, 3.5),
}
# Middles of the classes in oktas of FM 15 (WMO Manual on Codes, 15.9.1.1) and FMH-1, table 9-2.
_COVER_FRAC: Final[dict[str, float]] = {
    "SKC": 0.0, "CLR": 0.0, "NSC": 0.0, "NCD": 0.0, "CAVOK": 0.0,
    "FEW": 1.5 / 8.0, "SCT": 3.5 / 8.0, "BKN": 6.0 / 8.0, "OVC": 1.0, "VV": 1.0, "OVX": 1.0,
}  # fmt: skip


def coded_rate_mmwe_h(groups: Iterable[str], weather: tuple[Phenomenon, ...] | None) -> float:
    """The largest rate that weather groups such as "-SN" or "+FZRA" stand for; NaN where weather was not observed.

    0 where none of the groups is precipitation at the station.
    """
    if weather is None:
        return NAN
    most = 0.0
    for group in groups:
        if not _GROUP.match(group) or group.startswith(("VC", "RE")):
            continue
        strength = {"-": 0, "+": 2}.get(group[:1], 1)
        pairs = re.findall("..", group.lstrip("+-"))
        if "BL" in pairs or "DR" in pairs:  # raised from the ground, not fallen
            continue
        most = max([most, *(_RATES_MMWE_H[p][strength] for p in pairs if p in _RATES_MMWE_H)])
    return most


def cover_frac(amounts: Iterable[str]) -> float:
    """Cloud cover of layers such as "BKN", each given as the cover up to it; NaN where none is given."""
    known = [_COVER_FRAC[a] for a in amounts if a in _COVER_FRAC]
    return max(known, default=NAN)


def read_text(raw: str, observed_at: datetime) -> Groups:
    """Parse the groups of a text. observed_at: gives the month and year, which the text lacks."""
    if not raw.strip() or len(raw) > MAX_TEXT:
        return Groups()
    from metar.Metar import Metar  # here: plans without reports of airports need no parser of them

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # about unknown groups, which stay unknown here
        try:
            report = Metar(raw.strip(), month=observed_at.month, year=observed_at.year, strict=False)
        except Exception:  # the library raises many exceptions on invalid text
            return Groups()
    if report.time is None:  # not a report
        return Groups()
    wind_mps = _in(report.wind_speed, "MPS")
    groups = ["".join(part or "" for part in group) for group in report.weather]
    weather = phenomena_in(groups, raw)
    return Groups(
        air_temp_c=_in(report.temp, "C"),
        dew_point_c=_in(report.dewpt, "C"),
        wind_mps=wind_mps,
        gust_mps=_in(report.wind_gust, "MPS"),
        wind_from_deg=NAN if report.wind_dir is None or wind_mps == 0.0 else float(report.wind_dir.value()),
        visibility_m=_in(report.vis, "M"),
        precip_last_hour_mmwe=_in(report.precip_1hr, "IN") * INCH_MM,
        precip_3h_mmwe=_in(report.precip_3hr, "IN") * INCH_MM,
        precip_6h_mmwe=_in(report.precip_6hr, "IN") * INCH_MM,
        precip_24h_mmwe=_in(report.precip_24hr, "IN") * INCH_MM,
        coded_rate_mmwe_h=coded_rate_mmwe_h(groups, weather),
        cloud_frac=cover_frac(layer[0] for layer in report.sky) if report.sky else cover_frac(raw.split()[:12]),
        snow_depth_m=_in(report.snowdepth, "M"),
        weather=weather,
    )


def _in(quantity: Any, unit: str) -> float:
    return NAN if quantity is None else float(quantity.value(unit))
