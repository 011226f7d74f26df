"""The look at each source: what it gives, what it lacks, and what changed since the last look."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from alertd.cli.checking.sources import check_sources
from alertd.planning.planner import create_planner
from alertd.planning.sentinel import FILE, Look, ask_all, changes, known_place
from alertd.settings.model import Settings
from alertd.testing.clock import ManualClock
from alertd.testing.fake_open_meteo import ApiFault, FakeOpenMeteo, FaultKind

LOOK = Look(source="nws", fields=("air_temp_c", "gust_mps"), members=1, reach_h=72.0, licence="public domain")
BEFORE = {"fields": ["air_temp_c", "gust_mps"], "members": 1, "reach_h": 72.0, "licence": "public domain"}


@pytest.mark.parametrize(
    ("before", "words"),
    [
        (None, []),
        (BEFORE, []),
        (BEFORE | {"fields": ["air_temp_c", "gust_mps", "visibility_m"]}, ["no longer gives visibility_m"]),
        (BEFORE | {"fields": ["air_temp_c"]}, ["now gives gust_mps too"]),
        (BEFORE | {"members": 31}, ["has 1 members, 31 before"]),
        (BEFORE | {"reach_h": 84.0}, []),
        (BEFORE | {"reach_h": 84.5}, ["reaches 72 h ahead, 84 h before"]),
        (BEFORE | {"licence": "CC BY 4.0"}, ['its licence is now "public domain"']),
    ],
)
def test_what_changed_since_the_last_look_is_said(before: object, words: list[str]) -> None:
    assert changes(LOOK, before) == words  # type: ignore[arg-type]


async def test_each_source_is_asked_for_one_place(make_settings: Callable[..., Settings], morning: datetime) -> None:
    """A field that a source drops is named the next day."""
    clock = ManualClock(morning)
    with FakeOpenMeteo(now_utc=morning) as api:
        settings = make_settings(forecasts=api.base_url, trips=None)
        async with create_planner(settings, clock) as planner:
            place = await known_place(planner)
            assert place is not None
            assert np.isfinite(place.elevation_m)
            (good,) = await ask_all(planner, place, clock())
            assert (good.source, good.level) == ("open-meteo", "ok")
            assert "Weather data by Open-Meteo.com, CC BY 4.0" in good.text
            asked = [r for r in api.requests if r.path == "/v1/forecast"]
            assert [r.params["latitude"].count(",") for r in asked] == [0]
            kept = json.loads((settings.cache / FILE).read_text())
            kept["open-meteo"]["fields"].append("snow_level_m")
            (settings.cache / FILE).write_text(json.dumps(kept))
            clock.advance(timedelta(days=1))
            api.now_utc = clock()
            texts = [f.text for f in await ask_all(planner, place, clock()) if f.level == "look"]
            assert texts == ["no longer gives snow_level_m"]


async def test_a_source_that_refuses_is_wrong(make_settings: Callable[..., Settings], morning: datetime) -> None:
    with FakeOpenMeteo(now_utc=morning) as api:
        api.set_fault(ApiFault(kind=FaultKind.LIMIT_DAY))
        settings = make_settings(forecasts=api.base_url, trips=None)
        (found,) = await check_sources(settings, ManualClock(morning))
    assert (found.level, found.file) == ("wrong", "open-meteo")
    assert "limit exceeded" in found.text


async def test_without_a_route_there_is_no_place(make_settings: Callable[..., Settings], morning: datetime) -> None:
    settings = make_settings(forecasts="http://127.0.0.1:9", trips=None)
    empty = settings.cache.parent / "no-routes"
    empty.mkdir()
    bare = replace(settings, places=replace(settings.places, routes=empty))
    (found,) = await check_sources(bare, ManualClock(morning))
    assert "add a GPX file" in found.text
