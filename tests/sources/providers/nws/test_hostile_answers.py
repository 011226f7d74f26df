"""Whatever a forecast server sends, the outcome is a plausible forecast, an unknown, or a refusal; never another error.

Fault class F3: answers garbled at a random place. Our own small answers are the ones that get garbled.
"""

import copy
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from alertd.errors import SourceError
from alertd.forecast.observations import StationReport
from alertd.sources.providers.metar.reports import read_metars
from alertd.sources.providers.nws.grid import LAYERS, read_grid
from alertd.sources.providers.nws.stations import read_observations
from alertd.sources.providers.open_meteo.parse import VARIABLES, read_places

OWN = Path(__file__).parents[4] / "fixtures" / "forecast"
GRID = json.loads((OWN / "nws_grid.json").read_text())
TWO = json.loads((OWN / "open_meteo_two_places.json").read_text())
OBSERVED = json.loads((OWN / "nws_observations.json").read_text())
METARS = json.loads((OWN / "metar.json").read_text())
START = datetime(2026, 1, 12, tzinfo=UTC)

JUNK = st.one_of(
    st.none(), st.booleans(), st.integers(-(10**20), 10**20), st.floats(allow_nan=True, allow_infinity=True),
    st.sampled_from(["", "x", "wmoUnit:K", "°F", "2026-01-12T00:00:00+00:00/PT6H", "NOW/P1D", "PT1H/PT1H"]),
    st.just("NOW/P" + "9" * 30 + "D"),
    st.lists(st.one_of(st.none(), st.integers(-5, 5), st.text(max_size=3)), max_size=4),
    st.dictionaries(st.text(max_size=3), st.integers(), max_size=2),
)  # fmt: skip


def garbled(data: st.DataObject, whole: Any) -> Any:
    """A copy with one to three random places replaced, removed or doubled."""
    whole = copy.deepcopy(whole)
    for _ in range(data.draw(st.integers(1, 3))):
        node = whole
        while True:
            keys = list(node) if isinstance(node, dict) else list(range(len(node)))
            if not keys:
                break
            key = data.draw(st.sampled_from(keys))
            if isinstance(node[key], dict | list) and node[key] and data.draw(st.integers(0, 9)):
                node = node[key]
                continue
            match data.draw(st.sampled_from(["replace", "remove", "double"])):
                case "replace":
                    node[key] = data.draw(JUNK)
                case "remove":
                    del node[key]
                case "double" if isinstance(node, list):
                    node.insert(key, copy.deepcopy(node[key]))
            break
    return whole


def plausible(values: Any, low: float, high: float) -> bool:
    known = values[~np.isnan(values)]
    return bool(np.all((known >= low) & (known <= high)))


@settings(max_examples=3 * settings().max_examples)
@given(st.data())
def test_a_garbled_cell_is_refused_or_plausible(data: st.DataObject) -> None:
    try:
        cell = read_grid(garbled(data, GRID), start=START, hours=12, now_utc=START)
    except SourceError:
        return
    assert plausible(cell.air_temp_c, *LAYERS["temperature"][1:])
    assert plausible(cell.rh_frac, 0.0, 1.0)
    assert plausible(cell.water_mmwe_h(), 0.0, 1000.0)
    assert plausible(cell.snow_level_m, *LAYERS["snowLevel"][1:])


@settings(max_examples=3 * settings().max_examples)
@given(st.data())
def test_a_garbled_series_is_refused_or_plausible(data: st.DataObject) -> None:
    try:
        places = read_places(garbled(data, TWO))
    except SourceError:
        return
    for place in places:
        for variable in VARIABLES.values():
            low = 0.0 if variable.field == "shortwave_wm2" else variable.low
            assert plausible(place.fields[variable.field], low, variable.high), variable.field


def plausible_report(report: StationReport) -> bool:
    ranges = ((report.air_temp_c, -60.0, 60.0), (report.wind_mps, 0.0, 115.0), (report.visibility_m, 0.0, 200_000.0))
    return all(plausible(np.array([value]), low, high) for value, low, high in ranges)


@settings(max_examples=3 * settings().max_examples)
@given(st.data())
def test_garbled_observations_are_refused_or_plausible(data: st.DataObject) -> None:
    try:
        reports = read_observations(garbled(data, OBSERVED))
    except SourceError:
        return
    assert all(plausible_report(r) for r in reports)


@settings(max_examples=3 * settings().max_examples)
@given(st.data())
def test_garbled_airport_reports_are_refused_or_plausible(data: st.DataObject) -> None:
    try:
        reports = read_metars(garbled(data, METARS))
    except SourceError:
        return
    assert all(plausible_report(r) for r in reports)


@settings(max_examples=3 * settings().max_examples)
@given(st.text(max_size=80), st.integers(0, 90))
def test_a_garbled_coded_text_is_unknown_or_plausible(junk: str, at: int) -> None:
    raw = METARS[0]["rawOb"]
    (report,) = read_metars(
        [METARS[0] | {"temp": None, "wspd": None, "visib": None, "rawOb": raw[:at] + junk + raw[at:]}]
    )
    assert plausible_report(report)
