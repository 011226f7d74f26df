"""Words for the past hours of a road: what they rest on, and what remains in doubt."""

from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.forecast.past import PastBasis, PastWeather
from alertd.units import FOOT_M, HOUR_S, INCH_MM

SNOW_RATIO: Final = 10.0  # [A] depth of old snow to its water, for words only
MOST_NAMED: Final = 6
POOR_PROB: Final = 0.15  # the least chance of a winter road that a plan names
FREEZES_BELOW_C: Final = 1.0  # [A] colder air may bring snow that stays


def _past(past: PastWeather, now_utc: datetime) -> NDArray[np.int8]:
    """The basis of each whole hour before now, (cell, hour)."""
    hours = int(max((now_utc - past.start).total_seconds() // HOUR_S, 0))
    return past.basis[:, :hours]


def doubt_of(past: PastWeather, now_utc: datetime, unseen_mmwe: float) -> str:
    """Why a road that looks bare may not be: how much may lie there, and which past hours are not known."""
    depth_in = SNOW_RATIO * unseen_mmwe / INCH_MM
    lying = f"up to {depth_in:.0f} in of old snow may lie there"
    basis = _past(past, now_utc)
    missing_h = (basis == PastBasis.NOTHING).sum(axis=1)
    if basis.size == 0 or not missing_h.any():
        return f"{lying}, as the known past is too short or too cold to show it gone"
    most = int(missing_h.max())
    return f"{lying}, as the weather of {most} of the last {basis.shape[1]} hours is not known"


def past_remarks(past: PastWeather, problems: Sequence[str], now_utc: datetime) -> tuple[str, ...]:
    """Which stations and forecasts the past hours rest on, where the sources themselves lack them."""
    basis = _past(past, now_utc)
    rests = basis != PastBasis.SOURCE
    if basis.size == 0 or not rests.any():
        return ()
    out = []
    used = Counter(int(i) for i in past.station_idx[:, : basis.shape[1]][basis == PastBasis.STATIONS])
    if used:
        named = [past.stations[i] for i, _ in used.most_common()]
        listed = ", ".join(f"{s.id} ({s.elevation_m / FOOT_M:,.0f} ft)" for s in named[:MOST_NAMED])
        more = f" and {len(named) - MOST_NAMED} more" if len(named) > MOST_NAMED else ""
        out.append(f"past hours from stations {listed}{more}")
    if (basis == PastBasis.EARLIER_FORECAST).any():
        out.append("past hours without a station from earlier forecasts of the source")
    nothing = (basis == PastBasis.NOTHING).any(axis=1).mean()
    if nothing > 0.0:
        out.append(f"no station or earlier forecast for some past hours of {nothing:.0%} of the places on the road")
    out += [f"past hours: {problem}" for problem in problems]
    return tuple(out)


def unseen_note(past: PastWeather, now_utc: datetime) -> str:
    """A caution where light snow may have fallen out of the stations' sight; "" where none may have."""
    basis = _past(past, now_utc)
    hours = basis.shape[1]
    chance, cold = past.precip_prob_frac[:, :hours], past.air_temp_c[:, :hours] < FREEZES_BELOW_C
    poor = (basis == PastBasis.STATIONS) & cold & (np.nan_to_num(chance) >= POOR_PROB)
    if not poor.any():
        return ""
    cell, hour = (int(i[0]) for i in np.nonzero(poor))
    station = past.stations[int(past.station_idx[cell, hour])]
    return (
        f"No station near the height of {poor.any(axis=1).mean():.0%} of the road reports (the next is {station.id} at "
        f"{station.elevation_m / FOOT_M:,.0f} ft): light snow under clouds may have fallen unseen there"
    )
