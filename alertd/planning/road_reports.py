"""What is posted for roads, and what drivers saw of them, before it is placed on a route."""

from collections.abc import Mapping
from dataclasses import dataclass

from alertd.plan.controls.closures import PostedClosure
from alertd.plan.controls.placement import NOTHING_POSTED, PostedConditions
from alertd.plan.controls.road_seen import RoadSeen
from alertd.settings.reference_data import ReferenceData


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadReports:
    """closures: posted by operators. controls: posted by road authorities. seen: by drivers. All on any route."""

    closures: tuple[PostedClosure, ...] = ()
    controls: PostedConditions = NOTHING_POSTED
    seen: tuple[RoadSeen, ...] = ()


NO_ROAD_REPORTS = RoadReports()


def named_places(reference: ReferenceData) -> Mapping[str, tuple[float, float]]:
    """Latitude and longitude of summits and stops by name in lower case. A name of two different places is left out."""
    found: dict[str, set[tuple[float, float]]] = {}
    places = [(s.name, s.lat_deg, s.lon_deg) for s in reference.summits]
    for name, lat_deg, lon_deg in (*places, *((s.name, s.lat_deg, s.lon_deg) for s in reference.stops)):
        found.setdefault(name.strip().casefold(), set()).add((lat_deg, lon_deg))
    return {name: at.pop() for name, at in found.items() if name and len(at) == 1}
