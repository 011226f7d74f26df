"""A plan to draw with all that its pictures are made from, and the rule files and rigs as shipped."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from numpy.typing import NDArray

from alertd.notices.charts.canvas import Chart
from alertd.notices.charts.time_distance import window_of
from alertd.plan.make_plan import make_plan
from alertd.plan.model.plan import Plan
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput, Weather
from alertd.plan.road_by_hour import RoadHours, road_hours
from alertd.road.road_class import RoadClass
from alertd.route.jurisdictions import Boundaries, Land
from alertd.route.model import Route, Summit
from alertd.rules.rig import Rig
from alertd.rules.ruleset import RuleSet
from alertd.sources.files.laws.ruleset import read_rulesets
from alertd.sources.files.rig import read_rigs
from alertd.testing.factories import M_PER_DEG_LON, at_hour, make_rig, make_route, make_rules, make_stop, make_weather

CONFIG = Path(__file__).parents[3] / "config"


@pytest.fixture(scope="session")
def shipped() -> dict[str, RuleSet]:
    return read_rulesets(CONFIG / "rules")


@pytest.fixture(scope="session")
def rigs() -> dict[str, Rig]:
    return read_rigs(CONFIG / "rigs")


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """A plan and what its pictures are made from."""

    plan: Plan
    route: Route
    weather: Weather
    boundaries: Boundaries
    hours: RoadHours


def _two_lands() -> Boundaries:
    """Two squares of land that meet where the made road's first land ends, at km 80."""
    border = -116.5 + 80e3 / M_PER_DEG_LON
    lands = []
    for code, name, west, east in (("US-XX", "Westland", -118.0, border), ("US-YY", "Eastland", border, -113.0)):
        ring = np.asarray([(west, 46.0), (east, 46.0), (east, 49.0), (west, 49.0), (west, 46.0)])
        lands.append(Land(code=code, name=name, polygons=((ring,),)))
    return Boundaries(lands=tuple(lands))


@pytest.fixture(scope="session")
def drawn() -> Drawn:
    """CHAIN over Larch Pass at km 40 to 50, READY over Tarn Pass at km 120 to 130, snow there until 12:00 UTC only; no
    forecast of the last ten kilometres. Leaves at 06:00 UTC."""
    stops = [
        make_stop(n, m, name=f"{n} Hollow", milepost=f"I-90 MP {n}")
        for n, m in (("1", 30e3), ("2", 60e3), ("3", 110e3), ("4", 140e3))
    ]
    summits = [
        Summit(distance_m=m, elevation_m=1400.0, prominence_m=300.0, name=n)
        for n, m in (("Larch Pass", 45e3), ("Tarn Pass", 125e3))
    ]
    steep = np.where(np.abs(np.arange(0.0, 160e3 + 1.0, 250.0) - 43e3) <= 2e3, 0.06, 0.0)
    spans = [("US-XX", 0.0, 80e3), ("US-YY", 80e3, 160e3)]
    route = make_route(160e3, grade=steep, stops=stops, summits=summits, spans=spans)

    def script(member: NDArray[np.int64], d: NDArray[np.float64], hour: NDArray[np.int64]) -> NDArray[np.int64]:
        larch = (d >= 40e3) & (d <= 50e3) & (hour < 12)
        tarn = (d >= 120e3) & (d <= 130e3) & (hour < 12) & (member < 4)
        bare = np.where(d > 150e3, RoadClass.UNKNOWN, RoadClass.WET)
        return np.where(larch | tarn, RoadClass.SNOW, bare + 0 * member + 0 * hour)

    weather = make_weather(route, script, hours=60)
    trip = TripInput(id="QT-1", depart_at=at_hour(6), driver="Odalys Fenwright", dispatcher="office")
    laws = {code: make_rules(code) for code in ("US-XX", "US-YY")}
    plan = make_plan(PlanRequest(trip, route, make_rig(), laws, weather, PlanParams(), at_hour(2)))
    first, last = window_of(plan)
    return Drawn(
        plan=plan,
        route=route,
        weather=weather,
        boundaries=_two_lands(),
        hours=road_hours(route, weather.corridor, first.timestamp(), last.timestamp()),
    )


def _shapes(picture: Chart, kind: str, panel: str = "") -> list[NDArray[np.float64]]:
    """The lines of each element of a kind, (n, 2) each, read back from the SVG: in pixels, or in a panel's units."""
    out = []
    for e in ElementTree.fromstring(picture.inline()).iter():
        if kind in e.get("class", "").split() and e.get("d"):
            lines = [re.findall(r"-?[\d.]+(?:e-?\d+)?", line) for line in e.get("d").split("M")[1:]]
            out += [np.cumsum(np.asarray(line, dtype=np.float64).reshape(-1, 2), axis=0) for line in lines]
    if not panel:
        return out
    p = picture.canvas.panels[panel]
    x_unit, y_unit = (p.x_to - p.x_from) / p.width, (p.y_to - p.y_from) / p.height
    return [
        np.column_stack((p.x_from + (xy[:, 0] - p.left) * x_unit, p.y_to - (xy[:, 1] - p.top) * y_unit)) for xy in out
    ]


@pytest.fixture(scope="session")
def shapes() -> Callable[..., list[NDArray[np.float64]]]:
    return _shapes
