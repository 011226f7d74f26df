"""The recorded samples of the consumer kit are what the code sends today, and each is valid."""

import importlib.util
import json
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator

from alertd.cli.first_day import webhook
from alertd.clock import system_clock
from alertd.testing.event_schema import strict_event_schema

ROOT = Path(__file__).parents[2]
SCHEMA = json.loads((ROOT / "shared/webhook-event.schema.json").read_text(encoding="utf-8"))
STRICT = Draft202012Validator(strict_event_schema(), format_checker=Draft202012Validator.FORMAT_CHECKER)
CHECK = Draft202012Validator(SCHEMA, format_checker=Draft202012Validator.FORMAT_CHECKER)
TYPES = {d["properties"]["type"]["const"] for d in SCHEMA["$defs"].values() if "format" in d.get("properties", {})}


def recorder() -> Any:
    spec = importlib.util.spec_from_file_location("record_samples", Path(__file__).with_name("record_samples.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def paths(value: Any, at: str = "") -> set[str]:
    """Every key of a body, dotted; rows of a list count as one."""
    if isinstance(value, dict):
        return {at} | {p for key, inner in value.items() for p in paths(inner, f"{at}.{key}")}
    if isinstance(value, list):
        return {p for inner in value for p in paths(inner, f"{at}[]")}
    return {at}


def test_samples_have_the_fields_that_the_code_sends() -> None:
    """Change on purpose: run `python tests/kit/record_samples.py` and review the difference."""
    made = recorder().sample_bodies()
    assert set(made) == TYPES
    for name, body in made.items():
        STRICT.validate(body)
        recorded = json.loads((ROOT / f"shared/kit/samples/{name}.json").read_text(encoding="utf-8"))
        CHECK.validate(recorded)
        assert paths(recorded) == paths(body), name


def test_samples_are_marked_as_tests_and_stay_valid() -> None:
    sent = webhook.samples(system_clock())
    assert {one.kind for one in sent} == TYPES
    for one in sent:
        body = json.loads(one.body)
        CHECK.validate(body)
        assert body["data"]["notice_id"] == one.notice_id
        assert one.trip_id in ("", webhook.TEST_TRIP)
        words = body["data"].get("text") or body["data"]["headline"][0]
        assert words.startswith("TEST, no real truck.")


def test_the_published_schema_is_open_and_the_tests_own_is_not() -> None:
    """A receiver that checks with the published schema takes an event with a new field; our tests do not."""
    body = recorder().sample_bodies()["trip.message"]
    new = body | {"new_field": 1, "data": body["data"] | {"another": True}}
    CHECK.validate(new)
    assert len(list(STRICT.iter_errors(new))) == 1
    assert '"additionalProperties": false' not in json.dumps(SCHEMA)
