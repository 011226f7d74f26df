"""Reads an operator's places: stops, bridges and tunnels (GeoJSON), border crossings and summits (TOML)."""

import json
import math
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, Final, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import ErrorDetails

from alertd.errors import ConfigError
from alertd.route.bridges import Bridge
from alertd.route.elevation import NamedSummit
from alertd.route.jurisdictions import Crossing
from alertd.route.stops import Stop, StopKind
from alertd.route.tunnels import Tunnel
from alertd.sources.files.toml import FileModel, check_size
from alertd.units import FOOT_M

_BEARINGS: Final = {"N": 0.0, "NE": 45.0, "E": 90.0, "SE": 135.0, "S": 180.0, "SW": 225.0, "W": 270.0, "NW": 315.0}

_M = TypeVar("_M", bound=BaseModel)

_Latitude = Annotated[float, Field(ge=-90.0, le=90.0)]
_Longitude = Annotated[float, Field(ge=-180.0, le=180.0)]
_Words = Annotated[str, Field(min_length=1)]
_Code = Annotated[str, Field(pattern=r"^[A-Z]{2}(-[A-Z0-9]{1,3})?$")]


class _StopProperties(FileModel):
    id: _Words
    name: _Words
    kind: Literal["chain-up area", "truck stop", "rest area", "weigh station", "turnout"]
    direction: Literal["N", "NE", "E", "SE", "S", "SW", "W", "NW", "both"] | None = None
    spaces: Annotated[int, Field(ge=0)] | None = None
    lit: bool | None = None
    milepost: str = ""
    invented: bool = False
    source: str = ""
    seen: Annotated[str, Field(pattern=r"^\d{4}-\d{2}-\d{2}$")] | None = None
    position: str = ""
    caution: str = ""
    within_m: Annotated[float, Field(ge=0.0, le=5_000.0)] = 0.0


class _Point(FileModel):
    type: Literal["Point"]
    coordinates: Annotated[list[float], Field(min_length=2, max_length=3)]


class _StopFeature(FileModel):
    type: Literal["Feature"]
    properties: _StopProperties
    geometry: _Point

    def to_core(self) -> Stop:
        about = self.properties
        lon, lat = self.geometry.coordinates[:2]
        return Stop(
            id=about.id,
            name=about.name,
            kind=StopKind(about.kind),
            lat_deg=lat,
            lon_deg=lon,
            serves_bearing_deg=_BEARINGS.get(about.direction or ""),
            serves_both=about.direction == "both",
            spaces=about.spaces,
            lit=about.lit,
            milepost=about.milepost,
            invented=about.invented,
            source=about.source + (f", seen {about.seen}" if about.seen else ""),
            caution=about.caution,
            within_m=about.within_m,
        )


class _StopFile(FileModel):
    type: Literal["FeatureCollection"]
    name: str = ""
    features: list[_StopFeature]


class _OpenModel(BaseModel):
    """Base of map exports: unknown keys are ignored."""

    model_config = ConfigDict(extra="ignore", frozen=True, strict=True, defer_build=True)


class _Tags(_OpenModel):
    """OpenStreetMap has a bridge's own name in bridge:name, a tunnel's in tunnel:name; `name` is often the road's."""

    tunnel_name: str | None = Field(None, alias="tunnel:name")
    bridge_name: str | None = Field(None, alias="bridge:name")
    name: str | None = None


class _LineString(_OpenModel):
    type: Literal["LineString"]
    coordinates: Annotated[
        list[Annotated[list[float], Field(min_length=2, max_length=3)]], Field(min_length=2, max_length=10_000)
    ]


class _LineFeature(_OpenModel):
    type: Literal["Feature"]
    properties: _Tags | None = None
    geometry: _LineString

    def to_bridge(self) -> Bridge:
        tags = self.properties or _Tags()
        return Bridge(name=_name(tags.bridge_name or tags.name), **self._places())

    def to_tunnel(self) -> Tunnel:
        tags = self.properties or _Tags()
        return Tunnel(name=_name(tags.tunnel_name or tags.name), **self._places())

    def _places(self) -> dict[str, tuple[float, ...]]:
        places = self.geometry.coordinates
        return {"lat_deg": tuple(p[1] for p in places), "lon_deg": tuple(p[0] for p in places)}


class _LineFile(_OpenModel):
    type: Literal["FeatureCollection"]
    features: list[_LineFeature]


def _name(text: str | None) -> str:
    return " ".join((text or "").split())


class _CrossingEntry(FileModel):
    road: _Words
    between: Annotated[list[_Code], Field(min_length=2, max_length=2)]
    lat: _Latitude
    lon: _Longitude

    def to_core(self, source: str) -> Crossing:
        return Crossing(
            lat_deg=self.lat, lon_deg=self.lon, road=self.road, codes=frozenset(self.between), source=source
        )


class _CrossingFile(FileModel):
    source: _Words
    crossing: list[_CrossingEntry]


class _SummitEntry(FileModel):
    name: _Words
    road: _Words
    lat: _Latitude
    lon: _Longitude
    elevation_ft: float | None = None
    elevation_m: float | None = None
    within_km: Annotated[float, Field(ge=0.0, le=10.0)] = 0.0
    tunnel: bool = False
    lands: Annotated[list[str], Field(default_factory=list)]
    source: _Words

    def to_core(self) -> NamedSummit:
        return NamedSummit(
            name=self.name,
            road=self.road,
            lat_deg=self.lat,
            lon_deg=self.lon,
            elevation_m=self.elevation_m if self.elevation_ft is None else self.elevation_ft * FOOT_M,
            source=self.source,
            within_m=self.within_km * 1000.0,
            tunnel=self.tunnel,
            lands=tuple(self.lands),
        )


class _SummitFile(FileModel):
    summit: list[_SummitEntry]


def read_stops(path: Path) -> tuple[Stop, ...]:
    """Read stops from a GeoJSON FeatureCollection of Points (RFC 7946: longitude first). Raises ConfigError."""
    where = path.name
    content = _validated(_StopFile, _loaded(path, json.loads, "JSON"), where)
    ids: dict[str, int] = {}
    mistakes: list[ConfigError] = []
    for i, feature in enumerate(content.features):
        label = f"features[{i}]"
        try:
            _check_position(feature.geometry.coordinates, where, f"{label}.geometry.coordinates")
        except ConfigError as exc:
            mistakes.append(exc)
        twin = ids.setdefault(feature.properties.id, i)
        if twin != i:
            problem = f"{feature.properties.id!r} is also the id of features[{twin}]"
            mistakes.append(ConfigError(where, f"{label}.properties.id", problem, "give each stop an id of its own"))
    if mistakes:
        raise _all_of(mistakes)
    return tuple(feature.to_core() for feature in content.features)


def read_bridges(path: Path) -> tuple[Bridge, ...]:
    """Read bridges from a GeoJSON FeatureCollection of LineStrings, as OpenStreetMap exports. Raises ConfigError."""
    return tuple(feature.to_bridge() for feature in _lines(path, "bridge"))


def read_tunnels(path: Path) -> tuple[Tunnel, ...]:
    """Read tunnels from a GeoJSON FeatureCollection of LineStrings, from portal to portal. Raises ConfigError."""
    return tuple(feature.to_tunnel() for feature in _lines(path, "tunnel"))


def _lines(path: Path, kind: str) -> list[_LineFeature]:
    where = path.name
    content = _validated(_LineFile, _loaded(path, json.loads, "JSON"), where)
    for i, feature in enumerate(content.features):
        field = f"features[{i}].geometry.coordinates"
        for j, place in enumerate(feature.geometry.coordinates):
            _check_position(place, where, f"{field}[{j}]")
        if len({tuple(place[:2]) for place in feature.geometry.coordinates}) < 2:
            raise ConfigError(where, field, "has only one distinct position", f"draw the {kind} from end to end")
    return content.features


def read_crossings(path: Path) -> tuple[Crossing, ...]:
    """Read fixed border crossings of known roads. Raises ConfigError."""
    content = _validated(_CrossingFile, _loaded(path, tomllib.loads, "TOML"), path.name)
    for i, entry in enumerate(content.crossing):
        if entry.between[0] == entry.between[1]:
            raise ConfigError(
                path.name, f"crossing[{i}].between", "names the same land twice", "name the two lands that meet here"
            )
    return tuple(entry.to_core(content.source) for entry in content.crossing)


def read_named_summits(path: Path) -> tuple[NamedSummit, ...]:
    """Read published passes and summits. Raises ConfigError."""
    content = _validated(_SummitFile, _loaded(path, tomllib.loads, "TOML"), path.name)
    return tuple(entry.to_core() for entry in content.summit)


def _check_position(coordinates: list[float], where: str, field: str) -> None:
    lon, lat = coordinates[:2]
    if not all(math.isfinite(value) for value in coordinates):
        raise ConfigError(where, field, "holds a value that is not a number", "write [longitude, latitude] in degrees")
    if abs(lat) > 90.0 and abs(lon) <= 90.0 and abs(lat) <= 180.0:
        raise ConfigError(
            where,
            field,
            f"latitude {lat:g} is not within -90 to 90; the two look swapped",
            f"GeoJSON has longitude first: write [{lat:g}, {lon:g}]",
        )
    if abs(lat) > 90.0 or abs(lon) > 180.0:
        raise ConfigError(
            where, field, f"[{lon:g}, {lat:g}] is nowhere on Earth", "write [longitude, latitude] in degrees"
        )


def _loaded(path: Path, load: Callable[[str], Any], kind: str) -> Any:
    try:
        check_size(path, path.name, ConfigError)
        return load(path.read_text(encoding="utf-8-sig"))
    except OSError as exc:
        raise ConfigError(
            path.name, "", f"cannot be read ({exc.strerror})", "check the path and its permissions"
        ) from exc
    except UnicodeDecodeError as exc:
        raise ConfigError(path.name, "encoding", "is not UTF-8", "save the file as UTF-8") from exc
    except (ValueError, RecursionError) as exc:
        raise ConfigError(path.name, "", f"is not valid {kind} ({exc})", "correct it there") from exc


def _validated(model: type[_M], content: Any, where: str) -> _M:
    """Raises ConfigError for the first mistake, the rest in its `others`."""
    try:
        return model.model_validate(content)
    except ValidationError as exc:
        raise _all_of([_mistake(where, error) for error in exc.errors(include_url=False)]) from exc


def _all_of(mistakes: list[ConfigError]) -> ConfigError:
    first, *others = mistakes
    first.others = tuple(others)
    return first


def _mistake(where: str, error: ErrorDetails) -> ConfigError:
    field = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in error["loc"]).lstrip(".")
    if error["type"] == "extra_forbidden":
        return ConfigError(where, field, "is not a key known here", "remove the key, or correct its spelling")
    if error["type"] == "missing":
        return ConfigError(where, field, "is missing", "add it")
    given = repr(error["input"])[:40]
    return ConfigError(where, field, f"{given} does not fit", error["msg"][0].lower() + error["msg"][1:])
