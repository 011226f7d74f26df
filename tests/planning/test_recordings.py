"""A recording keeps what sources answered, in little space, and gives back the same forecasts and reports."""

import asyncio
import gzip
import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import respx

from alertd.errors import ConfigError, InputError, StoreError
from alertd.forecast.past import missing_hours
from alertd.planning.recordings.archived_run import ArchivedRun, Place, request_at
from alertd.planning.recordings.csv_form import _observed, _Row
from alertd.planning.recordings.folder import OBSERVATIONS, ROUNDS, RecordingFolder
from alertd.planning.recordings.recorded import read_archive
from alertd.planning.recordings.recorder import _add_observations, _make_room, _without_past, passes_named, record_round
from alertd.planning.recordings.score import cases_of
from alertd.planning.recordings.truth import EVENTS, Chances, Seen
from alertd.planning.stations import StationObserver
from alertd.settings.model import Settings
from alertd.settings.reference_data import ReferenceData
from alertd.sources.http.client import HttpClient
from alertd.sources.http.options import HttpOptions
from alertd.sources.providers.metar.reports import Metars
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import ApiFault, FakeOpenMeteo, FaultKind

EXAMPLE = Path(__file__).resolve().parents[2] / "fixtures" / "archive"
AWC = "https://aviationweather.gov"
PLACE = Place(name="Lookout Pass", lat_deg=47.4553, lon_deg=-115.6972, elevation_m=1443.0)
HOUR_S = 3600.0


def metar(at: datetime) -> list[dict[str, object]]:
    """An invented airport beside the pass."""
    raw = f"KQBP {at:%d%H%M}Z 25006KT 2SM -SN OVC020 M03/M04 A2992"
    return [{
        "icaoId": "KQBP", "receiptTime": at.isoformat(), "obsTime": int(at.timestamp()), "temp": -3, "dewp": -4,
        "wdir": 250, "wspd": 6, "visib": 2, "wxString": "-SN", "lat": 47.46, "lon": -115.70, "elev": 1440,
        "rawOb": raw, "metarType": "METAR", "cover": "OVC", "clouds": [{"cover": "OVC", "base": 2000}],
    }]  # fmt: skip


async def test_recorded_answers_give_the_same_forecast_again(
    open_planner: Callable, make_settings: Callable[..., Settings], morning: datetime, tmp_path: Path
) -> None:
    folder = RecordingFolder(tmp_path / "recording")
    with FakeOpenMeteo(now_utc=morning) as api, respx.mock(assert_all_called=False) as web:
        web.route(host="127.0.0.1").pass_through()
        web.get(f"{AWC}/api/data/metar").respond(json=metar(morning - timedelta(minutes=7)))
        asked = HttpOptions(
            contact="ops@fleet.example", cache_dir=tmp_path / "airports", now_utc=ManualClock(morning),
            rng=np.random.default_rng(1),
        )  # fmt: skip
        settings = make_settings(forecasts=api.base_url)
        async with open_planner(settings, ManualClock(morning)) as planner, HttpClient(asked) as client:
            (source,) = planner.weather_sources.providers
            observer = StationObserver(None, Metars(client, AWC))
            planner.weather_sources = replace(planner.weather_sources, observer=observer)
            first = await record_round(planner, [PLACE], folder, morning, most_mb=10.0)
            again = await record_round(planner, [PLACE], folder, morning, most_mb=10.0)
            forecast = await source.fetch(request_at(PLACE, morning))
    assert first.failed == ()
    assert (first.reports_n, again.reports_n, again.bytes_new) == (1, 0, 0), "the same round takes no space"
    assert first.licences == {forecast.provider: forecast.licence}

    # A source with past hours of its own asks no station in a plan; a recording needs what stations saw.
    blank, begun = _without_past(forecast, morning), int((morning - forecast.start) / timedelta(hours=1)) + 1
    assert missing_hours(forecast, morning).sum() == 0
    assert missing_hours(blank, morning).sum() == begun > 48
    np.testing.assert_array_equal(blank.air_temp_c[..., begun:], forecast.air_temp_c[..., begun:])

    ((run,), reports) = await asyncio.to_thread(lambda: _all(folder))
    assert (run.place, run.made_at) == (PLACE, morning)
    (back,) = run.forecasts
    for name in ("air_temp_c", "rh_frac", "precip_mmwe_h", "wind_mps", "snow_level_m"):
        np.testing.assert_array_equal(getattr(back, name), getattr(forecast, name))
    assert [(r.station.id, r.air_temp_c, r.raw) for r in reports] == [("KQBP", -3.0, "")]


def _all(folder: RecordingFolder) -> tuple[object, object]:
    archived = read_archive(folder.folder)
    return tuple(archived.runs), archived.reports


async def test_a_silent_source_is_recorded_as_failed(
    open_planner: Callable, make_settings: Callable[..., Settings], morning: datetime, tmp_path: Path
) -> None:
    folder = RecordingFolder(tmp_path / "recording")
    with FakeOpenMeteo(now_utc=morning) as api:
        api.set_fault(ApiFault(kind=FaultKind.DOWN))
        async with open_planner(make_settings(forecasts=api.base_url), ManualClock(morning), deadline_s=1.0) as planner:
            kept = await record_round(planner, [PLACE], folder, morning, most_mb=10.0)
    assert any("Lookout Pass" in line for line in kept.failed)
    ((run,), _) = await asyncio.to_thread(lambda: _all(folder))
    assert run.forecasts == ()
    assert len(run.failed) == 1


def test_a_full_recording_is_thinned_and_then_stops(morning: datetime, tmp_path: Path) -> None:
    folder = RecordingFolder(tmp_path)
    folder.create()
    rng = np.random.default_rng(1)
    for hour in range(0, 48, 6):
        at = morning.replace(hour=0) + timedelta(hours=hour)
        body = folder.contents.put(rng.bytes(10_000), at)
        line = {"made_at": at.isoformat(), "place": {"name": "P"}, "settings": "", "heard": [{"body": body}]}
        folder.add(ROUNDS, at, [line])
    assert folder.size_bytes() > 80_000
    assert _make_room(folder, 60_000) < 60_000
    assert [len(list(folder.lines_of(day))) for day in folder.days(ROUNDS)] == [1, 4], "the oldest day first"
    assert len(list(folder.folder.glob("contents/*/*"))) == 5
    with pytest.raises(StoreError, match=r"the limit is 0 MB.*fewer passes"):
        _make_room(folder, 1_000)


def test_a_days_reports_take_little_space(tmp_path: Path) -> None:
    """Twenty days of hourly reports of one station, air and road: the guide states 630 bytes a day."""
    archived = read_archive(EXAMPLE)
    folder = RecordingFolder(tmp_path)
    _add_observations(folder, archived.reports, archived.surfaces)
    assert folder.size_bytes() / 20 < 800
    kept = sum(len(list(folder.lines_of(path))) for path in folder.days(OBSERVATIONS))
    assert kept == len(archived.reports) + len(archived.surfaces) == 960


def test_pass_names_are_those_of_the_summits_file(ground: ReferenceData) -> None:
    (one,) = passes_named(["snoqualmie pass"], ground.summits, "alertd.toml", "record.passes")
    assert (one.name, round(one.elevation_m)) == ("Snoqualmie Pass", 919)
    with pytest.raises(ConfigError, match=r'record\.passes: "Nowhere" is not known.*summits file'):
        passes_named(["Nowhere"], ground.summits, "alertd.toml", "record.passes")


def test_a_damaged_recording_is_one_line(tmp_path: Path) -> None:
    folder = RecordingFolder(tmp_path)
    folder.create()
    folder.add(OBSERVATIONS, datetime(2027, 1, 1, tzinfo=UTC), [{"unknown": 1}])
    with pytest.raises(InputError, match=r"2027-01-01.jsonl.gz line 1: has another form"):
        read_archive(tmp_path)
    path = folder.days(OBSERVATIONS)[0]
    path.write_bytes(gzip.compress(b"{"))
    with pytest.raises(InputError, match=r"line 1: is not JSON"):
        read_archive(tmp_path)
    path.write_bytes(b"no gzip")
    with pytest.raises(InputError, match=r"cannot be read .*unaltered copy"):
        read_archive(tmp_path)
    (tmp_path / "FORMAT").write_text("alertd.recording/9")
    with pytest.raises(InputError, match=r"this alertd reads alertd.recording/1"):
        read_archive(tmp_path)


def test_cases_are_the_hours_around_each_lead_time(morning: datetime) -> None:
    """A forecast of 80 hours and a report at each: seven hours a lead time, and none of a report too far away."""
    made_s = morning.replace(minute=0, second=0).timestamp()
    end_s = made_s + HOUR_S * np.arange(1.0, 81.0)
    chances = Chances(end_s=end_s, freezing=np.full(80, 0.9), snowing=np.full(80, np.nan), icy=np.full(80, 0.2))
    run = ArchivedRun(place=PLACE, made_at=datetime.fromtimestamp(made_s, morning.tzinfo), forecasts=())
    made = []
    for lat in (PLACE.lat_deg, PLACE.lat_deg + 0.2):
        for hour in range(-1, 80):
            at = datetime.fromtimestamp(made_s + HOUR_S * hour, morning.tzinfo).isoformat()
            cells = {"station": "S", "lat_deg": str(lat), "lon_deg": str(PLACE.lon_deg), "elevation_m": "1500",
                     "time_utc": at, "air_temp_c": "-1", "road_state": "ice" if hour % 2 else "snow"}  # fmt: skip
            bounds = dict.fromkeys(
                ("lat_deg", "lon_deg", "elevation_m", "air_temp_c", "rh_percent", "wind_mps", "precip_last_hour_mmwe",
                 "road_temp_c"), (-1e9, 1e9),
            )  # fmt: skip
            made.append(_observed(_Row("here", cells, bounds)))
    weather, surface = Seen(PLACE, [r for r, _ in made]), Seen(PLACE, [s for _, s in made if s is not None])
    found = list(cases_of(run, chances, weather, surface))
    count = {(e, lead): sum((e, lead) == row[:2] for row in found) for e in EVENTS for lead in (12, 24, 48, 72)}
    assert [count[EVENTS[0], lead] for lead in (12, 24, 48, 72)] == [7, 7, 7, 7]
    assert sum(n for (e, _), n in count.items() if e == EVENTS[1]) == 0, "no report of the weather"
    assert {count[EVENTS[2], lead] for lead in (12, 24, 48, 72)} == {4}, "snow on the road is left out"
    assert {row[2][:3] for row in found if row[0] == EVENTS[0]} == {(0.9, True, 1.0)}


def test_json_lines_are_added_once(tmp_path: Path, morning: datetime) -> None:
    folder = RecordingFolder(tmp_path)
    assert folder.add(ROUNDS, morning, [{"a": 1}, {"a": 1}, {"a": 2}]) == 2
    assert folder.add(ROUNDS, morning, [{"a": 2}, {"a": 3}]) == 1
    assert [json.dumps(line.value) for line in folder.lines(ROUNDS)] == ['{"a": 1}', '{"a": 2}', '{"a": 3}']
