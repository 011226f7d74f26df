"""The past of a road from stations: moved to its height with a spread, and no more certain than its witnesses."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from alertd.forecast.ensemble import Spreads
from alertd.forecast.model import WEATHER_FIELDS, Forecast, PrecipForm
from alertd.forecast.observations import Station, StationReport
from alertd.forecast.past import FILLED_FIELDS, KeptForecast, PastBasis, PastEvidence, missing_hours
from alertd.forecast.provider import ForecastRequest
from alertd.forecast.station_hours import StationHours
from alertd.road.corridor import RoadCells, member_quantiles, road_cells, run_corridor
from alertd.road.past_stations import REACH_M, CellPlaces, past_from_stations
from alertd.road.past_weather import with_past
from alertd.road.road_class import RoadClass

START = datetime(2027, 1, 12, tzinfo=UTC)
NOW = START + timedelta(hours=48)
HOURS = 60
PASS = CellPlaces(np.asarray([39.3]), np.asarray([-120.5]), np.asarray([2000.0]))
KM_LAT = 1.0 / 111.2
NAN = float("nan")


def station(id_: str = "KAAA", *, km: float = 5.0, elevation_m: float = 2000.0, **over: Any) -> StationHours:
    """A station north of the pass: dry, half a degree of cloud away from clear, 0 degrees."""
    values: dict[str, Any] = dict(air_temp_c=0.0, rh_frac=0.6, wind_mps=3.0, cloud_frac=0.2, precip_mmwe_h=0.0)
    values |= {name: value for name, value in over.items() if name != "precip_form"}
    return StationHours(
        station=Station(id=id_, lat_deg=39.3 + km * KM_LAT, lon_deg=-120.5, elevation_m=elevation_m),
        precip_form=np.full(48, over.get("precip_form", 0), dtype=np.int8),
        **{name: np.full(48, value) for name, value in values.items()},
    )


def past_of(*stations: StationHours) -> Any:
    return past_from_stations(stations, PASS, START, 48)


def test_station_beside_the_road_at_its_height_is_taken_as_it_is() -> None:
    past = past_of(station(km=0.0, air_temp_c=-3.0, precip_mmwe_h=0.4))
    assert past.known.all()
    assert past.air_temp_c == pytest.approx(np.full((1, 48), -3.0))
    assert past.precip_mmwe_h == pytest.approx(np.full((1, 48), 0.4))
    assert past.air_temp_sd_c == pytest.approx(np.full((1, 48), 0.5))
    assert (past.basis == PastBasis.STATIONS).all()


def test_a_valley_station_is_moved_by_the_published_lapse_rate() -> None:
    """January: 4.4 K/km, Liston and Elder 2006, J. Hydrometeor. 7:217; error 1.5 K/km, Minder et al. 2010."""
    past = past_of(station(km=0.0, elevation_m=1000.0, air_temp_c=5.0))
    assert past.air_temp_c == pytest.approx(np.full((1, 48), 5.0 - 4.4), abs=0.01)
    assert past.air_temp_sd_c == pytest.approx(np.full((1, 48), np.hypot(0.5, 1.5)), abs=0.01)


def test_a_station_too_far_or_of_unknown_height_is_no_witness() -> None:
    for far in (station(km=REACH_M / 1000.0 + 2.0), station(elevation_m=NAN)):
        assert not past_of(far).known.any()
        assert (past_of(far).basis == PastBasis.NOTHING).all()


def test_the_nearest_by_distance_and_height_leads_and_is_named() -> None:
    past = past_of(station("KLOW", km=3.0, elevation_m=1000.0), station("KTOP", km=10.0, elevation_m=1950.0))
    assert {past.stations[i].id for i in past.station_idx[0]} == {"KTOP"}


def test_snow_at_the_best_station_is_not_thinned_by_dry_ones() -> None:
    dry = [station(f"KD{c}Y", km=12.0) for c in "ABCDE"]
    past = past_of(station("KSNO", km=8.0, precip_mmwe_h=1.0), *dry)
    assert (past.precip_mmwe_h >= 1.0).all()


def test_an_hour_that_one_station_lacks_comes_from_the_other() -> None:
    first = station("KAAA", km=2.0, air_temp_c=-1.0)
    first.precip_mmwe_h[10:20] = NAN
    past = past_of(first, station("KBBB", km=9.0, air_temp_c=-4.0))
    assert past.known.all()
    assert {past.stations[i].id for i in past.station_idx[0, 10:20]} == {"KBBB"}


def test_clear_sky_over_a_dry_valley_proves_a_dry_pass() -> None:
    past = past_of(station(km=25.0, elevation_m=800.0, cloud_frac=0.2))
    assert not np.nan_to_num(past.precip_prob_frac).any()


@pytest.mark.parametrize("cloud", [1.0, NAN])
def test_overcast_over_a_dry_valley_does_not(cloud: float) -> None:
    """Unknown cloud counts as overcast; a station beside the road does prove it."""
    far = past_of(station(km=25.0, elevation_m=800.0, cloud_frac=cloud))
    assert (far.precip_prob_frac[:, 12:36] > 0.15).all()
    assert (far.precip_mmwe_h[:, 12:36] > 0.0).all()
    near = past_of(station(km=2.0, elevation_m=1950.0, cloud_frac=cloud))
    assert (np.nan_to_num(near.precip_prob_frac) < 0.01).all()


def test_freezing_rain_is_taken_only_near_its_height() -> None:
    freezing = PrecipForm.FREEZING
    near = past_of(station(elevation_m=1900.0, precip_mmwe_h=1.0, precip_form=freezing))
    below = past_of(station(elevation_m=1200.0, precip_mmwe_h=1.0, precip_form=freezing))
    assert (near.precip_form == freezing).all()
    assert (below.precip_form == PrecipForm.UNSPECIFIED).all()


def forecast(known_from_h: int = 47, **over: float) -> Forecast:
    """A dry source of one member at one cell that knows nothing before an hour of the window."""
    values = dict(air_temp_c=-2.0, rh_frac=0.6, wind_mps=3.0, cloud_frac=0.2, precip_mmwe_h=0.0) | over
    arrays: dict[str, Any] = {name: np.full((5, 1, HOURS), values.get(name, NAN)) for name in WEATHER_FIELDS}
    for array in arrays.values():
        array[..., :known_from_h] = NAN
    arrays["precip_form"] = np.zeros((5, 1, HOURS), dtype=np.int8)
    return Forecast(
        provider="made", licence="", issued_at=NOW, fetched_at=NOW, start=START, lat_deg=PASS.lat_deg,
        lon_deg=PASS.lon_deg, elevation_m=PASS.elevation_m, **arrays,
    )  # fmt: skip


def request() -> ForecastRequest:
    return ForecastRequest(
        lat_deg=PASS.lat_deg, lon_deg=PASS.lon_deg, road_elevation_m=PASS.elevation_m, start=START,
        end=START + timedelta(hours=HOURS), now_utc=NOW,
    )  # fmt: skip


def reports(hours: range = range(-1, 48), **over: Any) -> tuple[StationReport, ...]:
    values: dict[str, Any] = dict(
        air_temp_c=-2.0, dew_point_c=-8.0, rh_frac=NAN, wind_mps=3.0, gust_mps=NAN, wind_from_deg=NAN,
        visibility_m=NAN, precip_last_hour_mmwe=NAN, weather=(), raw="", coded_rate_mmwe_h=0.0, cloud_frac=0.2,
    )  # fmt: skip
    place = Station(id="KAAA", lat_deg=39.33, lon_deg=-120.5, elevation_m=1950.0)
    return tuple(
        StationReport(
            station=place, source="nws", observed_at=START + timedelta(hours=h, minutes=53), **(values | over)
        )
        for h in hours
    )


def road() -> RoadCells:
    return road_cells([0.0, 100.0], [2000.0, 2000.0], [0, 0], [39.3, 39.3], [-120.5, -120.5])


def classes(evidence: PastEvidence, source: Forecast) -> Any:
    """(member, hour): the road's class with this evidence."""
    filled, _past = with_past(source, evidence, request(), Spreads(), np.random.default_rng(1))
    return run_corridor(filled, road(), quantiles=member_quantiles(5, np.random.default_rng(2))).road_class[:, 0]


def never_bare(road_class: Any) -> bool:
    return not np.isin(road_class, (RoadClass.DRY, RoadClass.MOIST, RoadClass.WET)).any()


def test_a_road_seen_dry_for_two_days_at_minus_two_is_known() -> None:
    assert never_bare(classes(PastEvidence(), forecast())[:, 48:])
    seen = classes(PastEvidence(reports=reports()), forecast())
    assert (seen[:, 48:] != RoadClass.UNKNOWN).all()
    white = np.isin(seen[:, 48:], (RoadClass.SNOW, RoadClass.ICE)).all(axis=1)
    assert white.sum() <= 1  # old snow on a road that nobody clears


def test_snow_seen_yesterday_lies_on_the_road_today() -> None:
    snow = [r if not 20 <= i <= 30 else replace(r, coded_rate_mmwe_h=1.0) for i, r in enumerate(reports())]
    seen = classes(PastEvidence(reports=tuple(snow)), forecast())
    lying = np.isin(seen[:, 48:], (RoadClass.SNOW, RoadClass.PACKED_SNOW, RoadClass.SLUSH, RoadClass.ICE))
    assert lying.any(axis=1).mean() >= 0.3  # the others are ploughed or salted


def test_a_hole_in_the_reports_leaves_a_cold_road_in_doubt() -> None:
    holed = tuple(r for i, r in enumerate(reports()) if not 30 <= i <= 40)
    assert never_bare(classes(PastEvidence(reports=holed), forecast())[:, 48:])


def test_a_warm_sunny_road_is_known_bare_in_hours_without_a_past() -> None:
    """+14 C by day: 5 mm of unseen snow melts by physics, whatever the source."""
    noon = NOW.replace(hour=19) - timedelta(days=1)  # 11:00 local at 120 W
    warm = replace(forecast(0, air_temp_c=14.0), start=noon, issued_at=noon, fetched_at=noon)
    known = run_corridor(warm, road(), quantiles=member_quantiles(5, np.random.default_rng(2))).road_class[:, 0]
    assert (known[:, 6:24] != RoadClass.UNKNOWN).all()


def kept(**over: float) -> KeptForecast:
    values = dict(air_temp_c=-2.0, rh_frac=0.6, wind_mps=3.0, cloud_frac=0.2, precip_mmwe_h=0.0, precip_prob_frac=0.02)
    stack = np.stack([np.full((1, 48), (values | over).get(name, 0.0)) for name in FILLED_FIELDS])
    return KeptForecast(
        provider="made", start=START, elevation_m=PASS.elevation_m, values=stack,
        issued_epoch_s=np.full((1, 48), START.timestamp() - 3600.0),
    )  # fmt: skip


def test_earlier_forecasts_fill_what_no_station_does() -> None:
    filled, past = with_past(forecast(), PastEvidence(kept=(kept(),)), request(), Spreads(), np.random.default_rng(1))
    assert not missing_hours(filled, NOW).any()
    assert (past.basis[:, :47] == PastBasis.EARLIER_FORECAST).all()
    assert (past.basis[:, 47:] == PastBasis.SOURCE).all()
    both = PastEvidence(reports=reports(range(20, 48)), kept=(kept(),))
    _filled, mixed = with_past(forecast(), both, request(), Spreads(), np.random.default_rng(1))
    assert set(mixed.basis[0, 24:47].tolist()) == {PastBasis.STATIONS}
    assert set(mixed.basis[0, :16].tolist()) == {PastBasis.EARLIER_FORECAST}


def test_members_of_the_past_spread_and_keep_its_mean() -> None:
    filled, past = with_past(
        forecast(), PastEvidence(reports=reports()), request(), Spreads(), np.random.default_rng(1)
    )
    temps = filled.air_temp_c[:, 0, 10:40]
    assert temps.mean(axis=0) == pytest.approx(past.air_temp_c[0, 10:40])
    assert temps.std(axis=0) == pytest.approx(past.air_temp_sd_c[0, 10:40])


def test_a_source_with_its_own_past_is_left_as_it_is() -> None:
    whole = forecast(0)
    filled, past = with_past(whole, PastEvidence(reports=reports()), request(), Spreads(), np.random.default_rng(1))
    assert filled is whole
    assert (past.basis == PastBasis.SOURCE).all()
