"""The coded text of a METAR or SPECI report: its groups in SI, its weather groups as what was seen.

The text is read by the `metar` library; the table of weather groups is WMO code table 4678 (Manual on Codes, No. 306).
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
MAX_TEXT = 1000  # characters; a report with long remarks has some 300
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
    """What a text says; NaN, or None for the weather, where it does not."""

    air_temp_c: float = NAN
    dew_point_c: float = NAN
    wind_mps: float = NAN
    gust_mps: float = NAN
    wind_from_deg: float = NAN
    visibility_m: float = NAN
    precip_last_hour_mmwe: float = NAN
    weather: tuple[Phenomenon, ...] | None = None


def phenomena_in(groups: Iterable[str], raw: str) -> tuple[Phenomenon, ...] | None:
    """What weather groups such as "-SN", "BLSN" or "FZRASN" say, the first first; None when it was not observed.

    Not observed: slashes in the group's place, a sensor out of order (PWINO), or no group from a station that cannot
    tell rain from snow (AO1). Weather in the vicinity, or gone by (RE), is not at the station.
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
            seen = with_.get(pair) or _PLAIN.get(pair)
            if seen is not None and seen not in out:
                out.append(seen)
    words = raw.split()
    blind = "PWINO" in words or (not out and "AO1" in words)
    return None if blind else tuple(out)


def read_text(raw: str, observed_at: datetime) -> Groups:
    """The groups of a text that can be read. observed_at: gives the month and year, which the text does not."""
    if not raw.strip() or len(raw) > MAX_TEXT:
        return Groups()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of groups it does not know, which are unknown here too
        try:
            said = Metar(raw.strip(), month=observed_at.month, year=observed_at.year, strict=False)
        except Exception:  # whatever a text from outside makes it stumble over
            return Groups()
    if said.time is None:  # no report at all
        return Groups()
    wind_mps = _in(said.wind_speed, "MPS")
    return Groups(
        air_temp_c=_in(said.temp, "C"),
        dew_point_c=_in(said.dewpt, "C"),
        wind_mps=wind_mps,
        gust_mps=_in(said.wind_gust, "MPS"),
        wind_from_deg=NAN if said.wind_dir is None or wind_mps == 0.0 else float(said.wind_dir.value()),
        visibility_m=_in(said.vis, "M"),
        precip_last_hour_mmwe=_in(said.precip_1hr, "IN") * INCH_MM,
        weather=phenomena_in(("".join(part or "" for part in group) for group in said.weather), raw),
    )


def _in(quantity: Any, unit: str) -> float:
    return NAN if quantity is None else float(quantity.value(unit))
