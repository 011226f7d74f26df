"""Old or holed forecasts are told to the reader; they never pass as fresh."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from alertd.forecast.model import WEATHER_FIELDS, Forecast, Gap
from alertd.forecast.quality import Freshness, Limits, Usability, combine_quality, covered_frac, freshness

START = datetime(2026, 1, 12, 0, tzinfo=UTC)


def hour(n: float) -> datetime:
    return START + timedelta(hours=n)


def forecast(**changed: Any) -> Forecast:
    arrays: dict[str, Any] = {name: np.full((2, 2, 24), 0.5) for name in WEATHER_FIELDS}
    arrays["precip_form"] = np.zeros((2, 2, 24), dtype=np.int8)
    values: dict[str, Any] = {
        "provider": "test", "licence": "none", "issued_at": START, "fetched_at": START, "start": START,
        "lat_deg": np.array([47.0, 47.5]), "lon_deg": np.full(2, -115.0), "elevation_m": np.full(2, 1400.0),
    }  # fmt: skip
    return Forecast(**(values | arrays | changed))


def judge(f: Forecast, now: float = 3.0, start: float = 4.0, end: float = 10.0, **limits: float) -> Freshness:
    return freshness(f, now_utc=hour(now), window_start=hour(start), window_end=hour(end), limits=Limits(**limits))


@pytest.mark.parametrize(
    ("now", "state", "words"),
    [
        (6.0, Usability.OK, ""),
        (6.5, Usability.STALE, "6 h old"),
        (24.0, Usability.STALE, "24 h old"),
        (25.0, Usability.UNUSABLE, "too old to plan with"),
        (-0.5, Usability.OK, ""),
        (-3.0, Usability.STALE, "issued 3 h from now"),
    ],
)
def test_age_decides(now: float, state: Usability, words: str) -> None:
    judged = judge(forecast(), now=now)
    assert judged.state == state
    assert words in " ".join(judged.reasons)
    assert (judged.reasons == ()) == (state == Usability.OK)


def test_limits_are_the_operators() -> None:
    assert judge(forecast(), now=4.0, stale_after_h=3.0).state == Usability.STALE
    assert judge(forecast(), now=13.0, unusable_after_h=12.0).state == Usability.UNUSABLE


def test_age_counts_from_fetch_where_the_source_does_not_say() -> None:
    assert judge(forecast(issued_at=None, fetched_at=hour(-5)), now=3.0).state == Usability.STALE


def test_a_last_good_answer_is_never_fresh() -> None:
    judged = judge(forecast(served_stale=True))
    assert judged.state == Usability.STALE
    assert judged.reasons == ("test: source not reached or not updating, its last good forecast is used",)


@pytest.mark.parametrize(
    ("start", "end", "frac"),
    [
        (0, 24, 1.0),
        (12, 36, 0.5),
        (-6, 6, 0.5),
        (-12, 36, 0.5),
        (24, 30, 0.0),
        (-6, 0, 0.0),
        (4.5, 4.75, 1.0),
        (23.5, 24.5, 0.5),
    ],
)
def test_the_share_of_the_window_covered(start: float, end: float, frac: float) -> None:
    assert covered_frac(forecast(), hour(start), hour(end)) == frac


def test_a_window_partly_or_not_covered_is_told() -> None:
    assert judge(forecast(), start=20, end=28).state == Usability.PARTIAL
    assert judge(forecast(), start=20, end=28).reasons == (
        "test: 50 % of the hours and places of this trip have no forecast",
    )
    assert judge(forecast(), start=24, end=28).state == Usability.UNUSABLE


@pytest.mark.parametrize("name", ["air_temp_c", "precip_mmwe_h"])
def test_trap_2_unknown_precipitation_or_temperature_is_told(name: str) -> None:
    field = np.full((2, 2, 24), 0.5)
    field[:, 1, 5] = np.nan
    judged = judge(forecast(**{name: field}))
    assert (judged.state, len(judged.reasons)) == (Usability.PARTIAL, 1)
    field = np.full((2, 2, 24), 0.5)
    field[0, 1, 5] = np.nan  # another member knows it
    assert judge(forecast(**{name: field})).state == Usability.OK


def test_gaps_are_told_in_their_own_words() -> None:
    judged = judge(forecast(gaps=(Gap(cell_idx=(1,), reason="nws: no forecast there"),)))
    assert judged == Freshness(state=Usability.PARTIAL, reasons=("nws: no forecast there",))


def test_several_sources_are_as_usable_as_the_best() -> None:
    """Every caution of every source stays."""
    good, old = judge(forecast()), judge(forecast(), now=30.0)
    assert combine_quality([good, old]).state == Usability.PARTIAL
    assert combine_quality([good, old]).reasons == old.reasons
    assert combine_quality([good]) == good
    assert combine_quality([old]).state == Usability.UNUSABLE
    assert combine_quality([]).state == Usability.UNUSABLE


def test_a_fresh_whole_forecast_needs_no_words() -> None:
    assert judge(replace(forecast(), provider="x")) == Freshness(state=Usability.OK, reasons=())
