"""Observations near a road count at once, within their reach, and fade."""

from datetime import UTC, datetime

import numpy as np
import pytest

from alertd.forecast.observations import Phenomenon, Station, StationReport
from alertd.road.corridor import run_corridor
from alertd.road.lane.maintenance import SERVICES
from alertd.road.nearby import (
    PHASE_MOST_LOGIT,
    Nearby,
    PhaseSeen,
    SurfaceReading,
    moved_to_reading,
    phase_logit,
    phases_seen,
    start_readings,
)
from alertd.road.parameters import ROAD
from tests.road.test_corridor import START, forecast, middle, road

NAN = float("nan")
AT_S = START.timestamp() + 48 * 3600.0
MIDDLES_S = START.timestamp() + 3600.0 * np.arange(0.5, 72.0, 1.0)


def seen(*, snow: bool = True, north_km: float = 1.0, height_m: float = 1000.0, eases: bool = True) -> PhaseSeen:
    lat_deg = 47.0 + north_km / 111.2
    return PhaseSeen(snow=snow, epoch_s=AT_S, lat_deg=lat_deg, lon_deg=-121.0, elevation_m=height_m, eases=eases)


def logit(*reports: PhaseSeen) -> np.ndarray | None:
    shift = phase_logit(reports, np.array([47.0]), np.array([-121.0]), np.array([1000.0]), MIDDLES_S)
    return None if shift is None else shift[0]


def test_a_report_counts_for_three_hours_and_fades() -> None:
    shift = logit(seen())
    assert shift is not None
    assert np.flatnonzero(shift).tolist() == [47, 48, 49, 50]
    assert (np.diff(shift[48:52]) < 0.0).all()
    assert shift[48] == pytest.approx(1.5 * np.exp(-0.5 / 3.0))


@pytest.mark.parametrize("far", [{"north_km": 26.0}, {"height_m": 1301.0}, {"height_m": 600.0}])
def test_a_report_too_far_or_at_another_height_says_nothing(far: dict[str, float]) -> None:
    assert logit(seen(**far)) is None


def test_opposite_reports_cancel_and_many_are_bounded() -> None:
    assert logit(seen(), seen(snow=False)) is None
    many = logit(*[seen(snow=False)] * 9)
    assert many is not None
    assert many.min() == -PHASE_MOST_LOGIT


def test_rain_that_eases_nothing_only_takes_back_reported_snow() -> None:
    tap = seen(snow=False, eases=False)
    assert logit(tap) is None
    assert logit(seen(), tap) is None
    two, station = logit(seen(), seen(), tap), logit(seen(snow=False))
    assert two is not None
    assert station is not None
    assert two == pytest.approx(logit(seen()))
    assert logit(seen(snow=False), tap) == pytest.approx(station)


def report(*weather: Phenomenon) -> StationReport:
    place = Station(id="KAAA", lat_deg=47.0, lon_deg=-121.0, elevation_m=1000.0)
    return StationReport(
        station=place, source="test", observed_at=datetime(2026, 1, 12, tzinfo=UTC), air_temp_c=1.0, dew_point_c=NAN,
        rh_frac=NAN, wind_mps=NAN, gust_mps=NAN, wind_from_deg=NAN, visibility_m=NAN, precip_last_hour_mmwe=NAN,
        weather=weather, raw="",
    )  # fmt: skip


def test_only_plain_snow_or_rain_is_evidence_of_the_phase() -> None:
    mixed = report(Phenomenon.RAIN, Phenomenon.SNOW)
    icy = report(Phenomenon.FREEZING_RAIN, Phenomenon.RAIN)
    found = phases_seen([report(Phenomenon.SNOW), report(Phenomenon.DRIZZLE), mixed, icy, report()])
    assert [s.snow for s in found] == [True, False]


def test_snow_seen_near_brings_snow_to_the_road_at_once() -> None:
    wet = forecast(air_temp_c=1.5, rh_frac=0.97, precip_mmwe_h=1.0)
    shift = phase_logit([seen()], wet.lat_deg, wet.lon_deg, wet.elevation_m, MIDDLES_S)
    plain = run_corridor(wet, road(1000.0), quantiles=middle())
    with_report = run_corridor(wet, road(1000.0), quantiles=middle(), nearby=Nearby(phase_logit=shift))
    gained = with_report.snowfall_mmwe_h - plain.snowfall_mmwe_h
    assert gained[0, 0, 48] > 0.5
    assert (gained[0, 0, 51:] == 0.0).all()


def reading(surface_c: float, *, north_km: float = 0.0, depth_c: float = NAN) -> SurfaceReading:
    return SurfaceReading(
        surface_c=surface_c, depth_c=depth_c, epoch_s=AT_S, lat_deg=47.0 + north_km / 111.2, lon_deg=-121.0,
        elevation_m=1000.0,
    )  # fmt: skip


def test_a_road_sensor_corrects_the_column_and_its_effect_fades() -> None:
    still = forecast(air_temp_c=-1.0)
    none = run_corridor(still, road(1000.0), quantiles=middle(), service=SERVICES["none"]).surface_temp_c[0, 0]
    near = Nearby(readings=(reading(-6.0),))
    moved = run_corridor(still, road(1000.0), quantiles=middle(), service=SERVICES["none"], nearby=near)
    off = none - moved.surface_temp_c[0, 0]
    assert (off[:47] == 0.0).all()
    assert moved.surface_temp_c[0, 0, 47] == pytest.approx(-6.0, abs=0.01)
    assert off[47] > off[48] > off[50] > off[60] >= 0.0
    assert off[53] < 0.5 * off[47]


def test_a_warm_sensor_some_way_off_never_thaws_a_frozen_road() -> None:
    place = np.array([47.0]), np.array([-121.0]), np.array([1000.0])
    layers = np.full((len(ROAD.layers_m), 1), -1.0)
    here = np.ones(1, dtype=np.bool_)

    def top(north_km: float) -> float:
        found = start_readings([reading(4.0, north_km=north_km)], *place, START.timestamp(), 72)
        assert found is not None
        return float(moved_to_reading(layers, ROAD.depth_m, here, found, ~here)[0, 0])

    assert top(0.0) > 3.0
    assert top(8.0) <= 0.0
    assert start_readings([reading(4.0, north_km=12.0)], *place, START.timestamp(), 72) is None


def test_the_body_sensor_moves_the_ground_below() -> None:
    place = np.array([47.0]), np.array([-121.0]), np.array([1000.0])
    found = start_readings([reading(0.0, depth_c=5.0)], *place, START.timestamp(), 72)
    assert found is not None
    layers = np.zeros((len(ROAD.layers_m), 1))
    here = np.ones(1, dtype=np.bool_)
    moved = moved_to_reading(layers, ROAD.depth_m, here, found, ~here)[:, 0]
    assert moved[0] == 0.0
    assert (np.diff(moved) > 0.0).all()
    assert 1.0 < moved[6] < 2.0  # about a decimetre and a half down
    assert moved[-1] > 4.4


def test_a_warm_reading_in_the_sun_stays_near_the_surface() -> None:
    place = np.array([47.0]), np.array([-121.0]), np.array([1000.0])
    here = np.ones(1, dtype=np.bool_)

    def below(surface_c: float, *, sunny: bool) -> float:
        found = start_readings([reading(surface_c)], *place, START.timestamp(), 72)
        assert found is not None
        layers = np.zeros((len(ROAD.layers_m), 1))
        return float(moved_to_reading(layers, ROAD.depth_m, here, found, here & sunny)[7, 0])  # 0.33 m down

    assert 0.0 < below(4.0, sunny=True) < 0.1 * below(4.0, sunny=False)
    assert below(-4.0, sunny=True) == below(-4.0, sunny=False)
