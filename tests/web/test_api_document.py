"""shared/api.md against the daemon: every path and event is in it, and its signature check works as printed."""

import json
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from standardwebhooks import Webhook

from alertd.clock import system_clock
from alertd.sources.files.trips import parse_trip

SHARED = Path(__file__).resolve().parents[2] / "shared"
TEXT = (SHARED / "api.md").read_text(encoding="utf-8")
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"  # upstream test secret of Standard Webhooks
BODY = '{"text":"be ready to chain at Fourth of July – 06:40"}'.encode()


def block(language: str) -> str:
    (found,) = re.findall(rf"```{language}\n(.*?)```", TEXT, re.S)
    return str(found)


def test_every_path_and_method_served_is_in_the_document() -> None:
    paths = json.loads((SHARED / "openapi.json").read_text(encoding="utf-8"))["paths"]
    for path, methods in paths.items():
        for method in methods:
            assert f"| `{method.upper()} {path}` |" in TEXT


def test_every_event_type_of_the_schema_is_in_the_document() -> None:
    schema = json.loads((SHARED / "webhook-event.schema.json").read_text(encoding="utf-8"))
    types = [
        d["properties"]["type"]["const"]
        for d in schema["$defs"].values()
        if "type" in d.get("properties", {}) and "const" in d["properties"]["type"]
    ]
    assert len(types) == 10
    for name in types:
        assert f"| `{name}` |" in TEXT


def test_the_printed_trip_is_one_that_the_daemon_takes() -> None:
    assert parse_trip(json.loads(block("json")), "api.md").id == "T-1041"


@pytest.fixture
def is_ours() -> Callable[[str, dict[str, str], bytes], bool]:
    space: dict[str, object] = {}
    exec(block("python"), space)
    return space["is_ours"]  # type: ignore[return-value]


def signed(at: datetime) -> dict[str, str]:
    """Headers as the standardwebhooks library, which is not ours, makes them."""
    stamp = int(at.timestamp())
    return {
        "webhook-id": "ntc_1",
        "webhook-timestamp": str(stamp),
        "webhook-signature": Webhook(SECRET).sign("ntc_1", datetime.fromtimestamp(stamp, UTC), BODY.decode()),
    }


def test_printed_check_accepts_the_standard_library_signature(is_ours: Callable[..., bool]) -> None:
    headers = signed(system_clock())
    both = headers | {"webhook-signature": f"v1,AAAA {headers['webhook-signature']}"}
    assert is_ours(SECRET, headers, BODY)
    assert is_ours(SECRET, both, BODY)


def test_printed_check_refuses_changed_old_and_missing_ones(is_ours: Callable[..., bool]) -> None:
    headers = signed(system_clock())
    assert not is_ours(SECRET, headers, BODY + b" ")
    assert not is_ours(SECRET, headers | {"webhook-id": "ntc_2"}, BODY)
    assert not is_ours(SECRET, headers | {"webhook-signature": "v1,é"}, BODY)
    assert not is_ours(SECRET, headers | {"webhook-timestamp": "now"}, BODY)
    assert not is_ours(SECRET, signed(system_clock() - timedelta(minutes=6)), BODY)
    assert not is_ours(SECRET, {}, BODY)
