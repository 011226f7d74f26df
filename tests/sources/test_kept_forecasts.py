"""Kept forecasts on disk: the last forecast of each hour, and nothing from a damaged file or another cell."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from alertd.forecast.model import WEATHER_FIELDS, Forecast
from alertd.forecast.past import FILLED_FIELDS
from alertd.sources.kept_forecasts import KeptForecasts

NOW = datetime(2027, 1, 14, 10, tzinfo=UTC)


def forecast(issued: datetime, temp_c: float, hours: int = 24) -> Forecast:
    arrays: dict[str, Any] = {name: np.full((1, 2, hours), 0.5) for name in WEATHER_FIELDS}
    arrays |= {"air_temp_c": np.full((1, 2, hours), temp_c), "precip_form": np.zeros((1, 2, hours), dtype=np.int8)}
    return Forecast(
        provider="made", licence="", issued_at=issued, fetched_at=issued, start=issued,
        lat_deg=np.asarray([47.0, 47.1]), lon_deg=np.asarray([-115.0, -115.1]), elevation_m=np.asarray([900.0, 1500.0]),
        **arrays,
    )  # fmt: skip


def temps(kept: KeptForecasts, of: Forecast, now: datetime) -> Any:
    """Air temperature of the first cell by hour from ten hours before NOW."""
    (one,) = kept.update([of], now)
    return one.between(NOW - timedelta(hours=10), 30).values[FILLED_FIELDS.index("air_temp_c"), 0]


def test_later_forecast_of_an_hour_replaces_the_earlier(tmp_path: Path) -> None:
    kept = KeptForecasts(tmp_path)
    temps(kept, forecast(NOW, -1.0), NOW)
    later = NOW + timedelta(hours=3)
    told = temps(kept, forecast(later, -5.0), later)
    assert told[10:13] == pytest.approx([-1.0] * 3)
    assert told[13:] == pytest.approx([-5.0] * 17)
    assert np.isnan(told[:10]).all()


def test_another_process_reads_what_one_has_written(tmp_path: Path) -> None:
    temps(KeptForecasts(tmp_path), forecast(NOW, -1.0), NOW)
    later = NOW + timedelta(hours=3)
    assert temps(KeptForecasts(tmp_path), forecast(later, -5.0), later)[10:13] == pytest.approx([-1.0] * 3)
    assert np.isnan(temps(KeptForecasts(None), forecast(later, -5.0), later)[10:13]).all()


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 no archive", b"\x00" * 300])
def test_damaged_file_costs_its_own_content_only(content: bytes, tmp_path: Path) -> None:
    temps(KeptForecasts(tmp_path), forecast(NOW, -1.0), NOW)
    (path,) = tmp_path.glob("*.npz")
    path.write_bytes(content)
    later = NOW + timedelta(hours=3)
    told = temps(KeptForecasts(tmp_path), forecast(later, -5.0), later)
    assert np.isnan(told[10:13]).all()
    assert told[13:] == pytest.approx([-5.0] * 17)


def test_cell_whose_height_has_changed_starts_again(tmp_path: Path) -> None:
    kept = KeptForecasts(tmp_path)
    temps(kept, forecast(NOW, -1.0), NOW)
    later = NOW + timedelta(hours=3)
    moved = replace(forecast(later, -5.0), elevation_m=np.asarray([1200.0, 1500.0]))
    assert np.isnan(temps(kept, moved, later)[10:13]).all()


def test_folder_that_cannot_be_written_prevents_no_plan(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    kept = KeptForecasts(tmp_path / "file" / "in-it")
    assert np.isfinite(temps(kept, forecast(NOW, -1.0), NOW)[10:]).all()
