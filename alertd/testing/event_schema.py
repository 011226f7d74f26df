"""The strict form of the published event schema, for tests: no field that the schema does not name.

The published schema is open, so that a receiver which checks with it takes events with new fields.
"""

import json
from copy import deepcopy
from pathlib import Path
from typing import Any, Final

PUBLISHED: Final = Path(__file__).resolve().parents[2] / "shared" / "webhook-event.schema.json"


def strict_event_schema() -> dict[str, Any]:
    """The published schema, closed at every object with named fields."""
    found: dict[str, Any] = json.loads(PUBLISHED.read_text(encoding="utf-8"))
    _close(found)
    return found


def opened(schema: dict[str, Any]) -> dict[str, Any]:
    """The same schema without the refusal of unknown fields."""
    out = deepcopy(schema)
    _open(out)
    return out


def _close(node: Any) -> None:
    if isinstance(node, dict):
        if isinstance(node.get("properties"), dict) and "type" in node:
            node.setdefault("additionalProperties", False)
        for inner in node.values():
            _close(inner)
    elif isinstance(node, list):
        for inner in node:
            _close(inner)


def _open(node: Any) -> None:
    if isinstance(node, dict):
        if node.get("additionalProperties") is False:
            del node["additionalProperties"]
        for inner in node.values():
            _open(inner)
    elif isinstance(node, list):
        for inner in node:
            _open(inner)


def main() -> None:
    """Open the published schema in place, after an edit that closed a part of it."""
    text = PUBLISHED.read_text(encoding="utf-8")
    found = opened(json.loads(text))
    PUBLISHED.write_text(json.dumps(found, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
