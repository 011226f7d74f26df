"""Examples of every file that an operator writes, and the JSON Schema where there is one."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Final

from pydantic import BaseModel

from alertd.clock import system_clock
from alertd.settings.shipped import data_root

TRIP_COLUMNS: Final = (
    "id",
    "route",
    "rig",
    "driver",
    "dispatcher",
    "depart",
    "language",
    "drive_hours_used",
    "driven_since_break_h",
    "on_duty_since",
    "cycle_hours_used",
    "cycle_limit_h",
    "week_drive_hours_used",
    "fortnight_drive_hours_used",
    "short_rests_used",
    "long_days_used",
    "weekly_rest_ended",
    "weekly_rest_reduced",
    "deliver_from",
    "deliver_by",
    "stops",
)
_TRIP: Final = (
    "T-1",
    "my-route.gpx",
    "truck-1",
    "A. Driver",
    "B. Office",
    "{depart}",
    "en",
    "0",
    "0",
    "",
    "",
    "70",
    "",
    "",
    "",
    "",
    "",
    "",
    "",
    "",
    "",
)


def trip_rows(depart: str, **given: str) -> str:
    """Return a trips file of one row that leaves at `depart`; `given` replaces cells by column."""
    cells = dict(zip(TRIP_COLUMNS, _TRIP, strict=True)) | {"depart": depart} | given
    return ",".join(TRIP_COLUMNS) + "\n" + ",".join(cells[c] for c in TRIP_COLUMNS) + "\n"


def stop_kinds() -> tuple[str, ...]:
    """Return the kinds of stops."""
    from alertd.route.stops import StopKind

    return tuple(kind.value for kind in StopKind)


def stop_feature(id_: str, lat_deg: float, lon_deg: float, name: str, about: str) -> dict[str, Any] | None:
    """Return a stop as a GeoJSON feature; None where `about` names no kind of stop."""
    words = about.lower().replace("-", " ")
    kind = next((k for k in stop_kinds() if k.replace("-", " ") in words), None)
    if kind is None:
        return None
    properties = {"id": id_, "name": name or id_, "kind": kind, "direction": "both"}
    point = {"type": "Point", "coordinates": [round(lon_deg, 6), round(lat_deg, 6)]}
    return {"type": "Feature", "geometry": point, "properties": properties}


def stops_example() -> str:
    """Return a stops file of one stop with every key."""
    feature = {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [-114.58909, 47.00668]},
        "properties": {
            "id": "chain-up-6-w",
            "name": "Chain-up area, mile 6",
            "kind": "chain-up area",
            "direction": "W",
            "spaces": 12,
            "lit": True,
            "milepost": "I-90 MT MP 6",
        },
    }
    return json.dumps({"type": "FeatureCollection", "features": [feature]}, indent=1, ensure_ascii=False) + "\n"


def model_example(model: type[BaseModel]) -> str:
    """Return a JSON object with the example, or else the default, of each field."""
    out: dict[str, Any] = {}
    for name, field in model.model_fields.items():
        if field.examples:
            out[field.alias or name] = field.examples[0]
        elif not field.is_required():
            out[field.alias or name] = field.get_default(call_default_factory=True)
    return json.dumps(out, indent=1, ensure_ascii=False) + "\n"


def _shipped(*parts: str) -> str:
    return data_root().joinpath("config", *parts).read_text(encoding="utf-8")


@dataclass(frozen=True, slots=True, kw_only=True)
class Template:
    """An example of one kind of file or request body. schema: its JSON Schema; None where there is none."""

    about: str
    text: Callable[[], str]
    schema: Callable[[], dict[str, Any]] | None = None


def templates() -> dict[str, Template]:
    """Return the templates by name. Imports the models, hence a function."""
    from alertd.cli.rules import file_schema
    from alertd.settings.file_model import SettingsFile
    from alertd.sources.files.trips import TripRequest
    from alertd.sources.requests.closures import ClosureRequest
    from alertd.sources.requests.positions import PositionRequest

    tomorrow = (system_clock() + timedelta(days=1)).replace(hour=12, minute=0, second=0, microsecond=0)
    return {
        "closure": Template(
            about="body of POST /v1/closures",
            text=lambda: model_example(ClosureRequest),
            schema=lambda: ClosureRequest.model_json_schema(by_alias=True),
        ),
        "feed": Template(
            about="feed of posted conditions, one file of config/feeds", text=lambda: _shipped("feeds", "example.toml")
        ),
        "limits": Template(
            about="posted truck speed limits, config/limits.toml",
            text=lambda: _shipped("limits.toml"),
            schema=lambda: file_schema("limits"),
        ),
        "position": Template(
            about="body of POST /v1/trips/ID/positions",
            text=lambda: model_example(PositionRequest),
            schema=lambda: PositionRequest.model_json_schema(by_alias=True),
        ),
        "rig": Template(
            about="rig, one file of config/rigs",
            text=lambda: _shipped("rigs", "tractor-6x4-van-53.toml"),
            schema=lambda: file_schema("rig"),
        ),
        "settings": Template(
            about="settings, config/alertd.toml",
            text=lambda: _shipped("alertd.toml"),
            schema=lambda: SettingsFile.model_json_schema(by_alias=True),
        ),
        "stops": Template(about="places to stop, a file of places.stops", text=stops_example),
        "trip": Template(
            about="body of POST /v1/trips, or an element of a JSON trips file",
            text=lambda: model_example(TripRequest),
            schema=lambda: TripRequest.model_json_schema(by_alias=True),
        ),
        "trips": Template(about="trips file, daemon.trips", text=lambda: trip_rows(tomorrow.isoformat())),
    }
