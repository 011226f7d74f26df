"""The jobs of planning, and what all of them have in common, as bytes for another process of the same version.

Rigs go with the jobs that need them: a fleet may have a hundred thousand, and one more would change what is in common.
"""

import io
import pickle
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from hashlib import blake2b
from pathlib import Path
from threading import Lock
from typing import Any, Final

from alertd.plan.params import PlanParams
from alertd.planning.corridors.field_shelf import FieldShelf
from alertd.planning.corridors.job import RouteJob
from alertd.planning.corridors.plan_road import Ground
from alertd.planning.corridors.value_bytes import ValueReader, read_value, refused, value_to_bytes
from alertd.planning.road_cache import RoadFieldCache
from alertd.planning.weather import WeatherSources
from alertd.route.jurisdictions import Boundaries
from alertd.route.model import Route
from alertd.rules.practice import Practice
from alertd.rules.rig import Rig
from alertd.rules.ruleset import RuleSet
from alertd.settings.reference_data import ReferenceData
from alertd.sources.files.road import RoadSettings

MAX_ROUTES: Final = 64  # kept by a reader, of about 100 kB each


@dataclass(frozen=True, slots=True, kw_only=True)
class _GroundParts:
    """The parts of `Ground` that planning reads: no outlines, files or open sources."""

    rulesets: dict[str, RuleSet]
    practices: tuple[Practice, ...]
    params: PlanParams
    members: int
    seed: int
    stale_h: float
    road: RoadSettings
    weights: Mapping[str, float]


def ground_to_bytes(ground: Ground) -> bytes:
    """What a process needs to plan any road, but for rigs."""
    reference, sources = ground.reference, ground.weather_sources
    return value_to_bytes(
        _GroundParts(
            rulesets=reference.rulesets,
            practices=reference.practices,
            params=ground.params,
            members=sources.members,
            seed=sources.seed,
            stale_h=sources.stale_h,
            road=sources.road,
            weights=dict(sources.weights),
        )
    )


def ground_from_bytes(data: bytes, roads_kept: int, shelf: FieldShelf | None = None) -> Ground:
    """The ground with a cache of its own for the fields of so many roads. Raises InputError.

    shelf: for the fields of all other roads.
    """
    parts = read_value(data)
    if not isinstance(parts, _GroundParts):
        raise refused("holds no reference data")
    reference = ReferenceData(
        rulesets=parts.rulesets,
        rigs={},
        practices=parts.practices,
        stops=(),
        bridges=(),
        tunnels=(),
        truck_speeds=(),
        boundaries=Boundaries(lands=()),
        crossings=(),
        summits=(),
        limits=(),
        routes=Path(),
        files={},
    )
    sources = WeatherSources(
        providers=(),
        members=parts.members,
        seed=parts.seed,
        stale_h=parts.stale_h,
        road=parts.road,
        weights=parts.weights,
        road_cache=RoadFieldCache(roads_kept, shelf=shelf),
    )
    return Ground(reference=reference, weather_sources=sources, params=parts.params)


class RouteCache:
    """The routes of the jobs read last, so that what is kept of a road is found again by the next job on it."""

    def __init__(self) -> None:
        self._kept: OrderedDict[str, Route] = OrderedDict()
        self._lock = Lock()

    def route(self, key: str, data: bytes) -> Route:
        """The route of these bytes: the same object while it is kept. Raises InputError."""
        with self._lock:
            known = self._kept.get(key)
        if known is None:
            known = read_value(data)
        if not isinstance(known, Route):
            raise refused("holds no route")
        with self._lock:
            self._kept[key] = known
            self._kept.move_to_end(key)
            while len(self._kept) > MAX_ROUTES:
                self._kept.popitem(last=False)
        return known


def job_to_bytes(job: RouteJob, rigs: Mapping[str, Rig]) -> bytes:
    """A job with those of the rigs that its trips name, without what only the archive needs.

    Its route is a separate object, one for all jobs of the reader.
    """
    route = value_to_bytes(job.answers.route)
    file = io.BytesIO()
    _JobWriter(file, job.answers.route).dump(replace(job, responses=(), reports={}, ranks={}))
    named = {trip.rig for trip in job.trips}
    all_known = named <= rigs.keys()  # else all of them: the error of an unknown rig lists the known ones
    of_job = {name: rigs[name] for name in sorted(named)} if all_known else dict(rigs)
    return value_to_bytes((blake2b(route, digest_size=16).hexdigest(), route, file.getvalue(), of_job))


def job_from_bytes(data: bytes, routes: RouteCache) -> tuple[RouteJob, dict[str, Rig]]:
    """The job and its rigs. Raises InputError."""
    key, route, rest, rigs = read_value(data)
    job = _JobReader(io.BytesIO(rest), routes.route(key, route)).read()
    if not isinstance(job, RouteJob):
        raise refused("holds no job")
    return job, rigs


class _JobReader(ValueReader):
    def __init__(self, file: io.BytesIO, route: Route) -> None:
        super().__init__(file)
        self._route = route

    def persistent_load(self, pid: Any) -> Route:
        return self._route


class _JobWriter(pickle.Pickler):
    def __init__(self, file: io.BytesIO, route: Route) -> None:
        super().__init__(file, protocol=5)
        self._route = route

    def persistent_id(self, obj: object) -> str | None:
        return "route" if obj is self._route else None
