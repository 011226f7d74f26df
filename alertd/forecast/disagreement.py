"""States where sources disagree about snow, so that a reader knows why relief waits although one source is mild.

A disagreement within reason is no fault: the plan counts both sources. `contradictions` finds what cannot be right.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Final

import numpy as np

from alertd.forecast.model import Array, Forecast
from alertd.forecast.pool import at_heights
from alertd.units import HOUR_S

# Half of the precipitation is snow at about 1.0 °C (Jennings et al. 2018, Nature Communications 9, 1148; from memory).
SNOW_BELOW_C: Final = 1.0
SNOWING_MMWE_H: Final = 0.2  # [A] 2 mm of new snow an hour: less whitens no road
SNOW_H: Final = 3  # [A] snow in fewer hours is a shower, which another source may just miss
KNOWN_FRAC: Final = 0.5  # [A] a source that knows less of the hours is not compared


def snow_disagreements(
    forecasts: Sequence[Forecast], elevation_m: Array, start: datetime, end: datetime
) -> tuple[str, ...]:
    """Return a line if one source has snow on the road from `start` to `end` in several hours, and another in none.

    elevation_m: (cell,) of the road.
    """
    hours = {f.provider: n for f in forecasts if (n := _snow_hours(f, elevation_m, start, end)) is not None}
    snowy = [f"{name} has snow in {n} hours" for name, n in hours.items() if n >= SNOW_H]
    dry = [name for name, n in hours.items() if n == 0]
    if not snowy or not dry:
        return ()
    none = f"{' and '.join(dry)} {'has' if len(dry) == 1 else 'have'} none"
    return (f"sources disagree: {', '.join(snowy)}, {none}; the plan counts each, and relief waits until all are mild",)


def _snow_hours(forecast: Forecast, elevation_m: Array, start: datetime, end: datetime) -> int | None:
    """Return the hours with snow in any cell, by the mean member; None where the source does not know enough."""
    begins_s = forecast.start.timestamp() + HOUR_S * np.arange(forecast.hours, dtype=np.float64)
    within = (begins_s + HOUR_S > start.timestamp()) & (begins_s < end.timestamp())
    corrected = at_heights(forecast, elevation_m)
    amount, temp_c = corrected.precip_mmwe_h[..., within], corrected.air_temp_c[..., within]
    known = np.isfinite(amount) & np.isfinite(temp_c)
    if not known.size or known.mean() < KNOWN_FRAC:
        return None
    snow = np.where(known & (temp_c <= SNOW_BELOW_C), amount, 0.0).mean(axis=0)
    return int((snow >= SNOWING_MMWE_H).any(axis=0).sum())
