"""Encodes a notice as a CloudEvents 1.0.2 event in structured JSON, and validates each event.

The event depends on the stored row alone, so every attempt sends the same bytes. Its `data` is the stored body, byte
for byte, as a plain endpoint receives it.
"""

import json
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any
from urllib.parse import quote

from alertd.delivery.channel import OutgoingNotice
from alertd.errors import DeliveryError

CONTENT_TYPE = "application/cloudevents+json; charset=utf-8"
SPEC_VERSION = "1.0"
SCHEMA = "urn:alertd:webhook-event:1"
_REQUIRED = ("specversion", "id", "source", "type")
_NAME = re.compile(r"[a-z0-9]{1,20}")  # 20 is a SHOULD of the specification; required here
_TIMESTAMPS = frozenset({"time", "expirytime", "recordedtime"})
_RFC3339 = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)")
_URI = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:[^\s<>\"{}|\\^`]+")
_MEDIA_TYPE = re.compile(r"[\w.+-]+/[\w.+-]+(\s*;\s*[\w-]+=[\w.+-]+)*", re.ASCII)
_INT32 = range(-(2**31), 2**31)


def wrap(outgoing: OutgoingNotice, source: str) -> bytes:
    """Return the event of a notice as JSON bytes. `sequence` rises with every notice; a re-send keeps it.

    Raises DeliveryError, permanent, when the result would not be a valid CloudEvent.
    """
    head = {
        "specversion": SPEC_VERSION,
        "id": outgoing.notice_id,
        "source": source,
        "type": f"alertd.{_body_type(outgoing)}",
        **({"subject": outgoing.trip_id} if outgoing.trip_id else {}),
        "time": _time(outgoing.created_at),
        "expirytime": _time(outgoing.expires_at),
        "sequence": f"{outgoing.id:012d}",  # compared as text, so padded
        "datacontenttype": "application/json",
        "dataschema": SCHEMA,
    }
    start = json.dumps(head, ensure_ascii=False, separators=(",", ":")).encode()
    event = start[:-1] + b',"data":' + outgoing.body + b"}"
    if wrong := faults(event):
        raise DeliveryError(outgoing.target, f"its envelope is no CloudEvent: {wrong[0]}", permanent=True)
    return event


def source_of(fleet: str) -> str:
    """Return the default `source` of a fleet's events, used when the settings name none."""
    return f"urn:alertd:fleet:{quote(fleet, safe='')}"


def faults(event: bytes) -> list[str]:
    """Return what makes `event` an invalid CloudEvents 1.0.2 JSON event; empty when it is valid.

    Stricter than the specification's own schema, which accepts another version, nested and misnamed extensions, and
    data given twice.
    """
    try:
        found = json.loads(event.decode())
    except ValueError as exc:
        return [f"not JSON in UTF-8 ({exc})"]
    if not isinstance(found, dict):
        return ["not a JSON object"]
    out = [f"{name} is missing" for name in _REQUIRED if not found.get(name)]
    if found.get("specversion", SPEC_VERSION) != SPEC_VERSION:
        out.append(f"specversion is {found['specversion']!r}, not {SPEC_VERSION!r}")
    if "data" in found and "data_base64" in found:
        out.append("data and data_base64 are both given")
    out += [fault for name, value in found.items() if name not in ("data", "data_base64") for fault in _of(name, value)]
    return out


def _of(name: str, value: Any) -> list[str]:
    """Return the faults of one context attribute."""
    if not _NAME.fullmatch(name):
        return [f"{name!r} is no attribute name"]
    if isinstance(value, bool):
        return [f"{name} is not a text"] if name in _SHAPES else []
    if isinstance(value, int):
        return [f"{name} is not a text"] if name in _SHAPES else [] if value in _INT32 else [f"{name} is past 32 bits"]
    if not isinstance(value, str):
        return [f"{name} is not a text, whole number or truth value"]
    if not value:
        return [f"{name} is empty"]
    if any(ord(c) < 0x20 or 0x7F <= ord(c) <= 0x9F or 0xD800 <= ord(c) <= 0xDFFF for c in value):
        return [f"{name} holds a control character"]
    if name in _TIMESTAMPS:
        return [] if _is_time(value) else [f"{name} is no RFC 3339 time with a zone"]
    shape = _SHAPES.get(name)
    return [f"{name} is not of its form"] if shape and not shape.fullmatch(value) else []


_SHAPES: Mapping[str, re.Pattern[str]] = {
    "specversion": re.compile(r".+"),
    "id": re.compile(r".+"),
    "type": re.compile(r".+"),
    "subject": re.compile(r".+"),
    "sequence": re.compile(r".+"),
    "source": re.compile(r"[^\s<>\"{}|\\^`]+"),
    "dataschema": _URI,
    "datacontenttype": _MEDIA_TYPE,
    **dict.fromkeys(_TIMESTAMPS, _RFC3339),
}


def _is_time(text: str) -> bool:
    if not _RFC3339.fullmatch(text):
        return False
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return True


def _body_type(outgoing: OutgoingNotice) -> str:
    try:
        found = json.loads(outgoing.body)["type"]
    except (ValueError, KeyError, TypeError) as exc:
        problem = "its stored body names no type"
        raise DeliveryError(outgoing.target, problem, permanent=True) from exc
    return str(found)


def _time(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
