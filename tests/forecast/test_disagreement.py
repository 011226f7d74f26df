"""One source with snow and one without are named; honest differences of timing are not."""

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from alertd.forecast.disagreement import snow_disagreements
from alertd.forecast.model import WEATHER_FIELDS, Forecast

START = datetime(2026, 1, 12, 0, tzinfo=UTC)
HEIGHTS = np.full(2, 1400.0)


def forecast(provider: str, temp_c: float, wet_h: int, **changed: Any) -> Forecast:
    """Twelve hours; 1 mm an hour in the first `wet_h` of them."""
    shape = (1, 2, 12)
    arrays: dict[str, Any] = {name: np.full(shape, 0.5) for name in WEATHER_FIELDS}
    rain = np.zeros(shape)
    rain[..., :wet_h] = 1.0
    arrays |= {"precip_form": np.zeros(shape, dtype=np.int8), "precip_mmwe_h": rain}
    arrays["air_temp_c"] = np.full(shape, temp_c)
    values: dict[str, Any] = {
        "provider": provider, "licence": provider, "issued_at": START, "fetched_at": START, "start": START,
        "lat_deg": np.array([47.0, 47.5]), "lon_deg": np.full(2, -115.0), "elevation_m": HEIGHTS,
    }  # fmt: skip
    return Forecast(**(values | arrays | changed))


def lines(*forecasts: Forecast) -> tuple[str, ...]:
    return snow_disagreements(forecasts, HEIGHTS, START, START + timedelta(hours=12))


def test_snow_of_one_source_alone_is_named() -> None:
    (line,) = lines(forecast("north", -4.0, 6), forecast("south", -4.0, 0))
    assert line == (
        "sources disagree: north has snow in 6 hours, south has none; "
        "the plan counts each, and relief waits until all are mild"
    )


@pytest.mark.parametrize(("temp_c", "wet_h"), [(-4.0, 5), (-4.0, 1), (4.0, 0)])
def test_other_hours_or_a_short_shower_are_no_disagreement(temp_c: float, wet_h: int) -> None:
    assert lines(forecast("north", -4.0, wet_h), forecast("south", temp_c, max(1, wet_h - 2))) == ()


def test_rain_against_snow_is_a_disagreement() -> None:
    assert lines(forecast("north", -1.0, 6), forecast("south", 4.0, 6)) != ()


def test_source_without_values_is_not_called_dry() -> None:
    unknown = forecast("south", -4.0, 0, precip_mmwe_h=np.full((1, 2, 12), np.nan))
    assert lines(forecast("north", -4.0, 6), unknown) == ()
