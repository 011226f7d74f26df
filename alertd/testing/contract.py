"""Compares the HTTP and webhook contract with the one that was released, and names what would break a client.

The released contract is `fixtures/contract.txt`: one line per operation, parameter and field, with its type. A line
begins with `in` for what a client sends and with `out` for what it gets. `python -m alertd.testing.contract` exits
with 1 for a breaking change under the same contract version; with `--release` it records the present contract.
"""

import json
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

ROOT: Final = Path(__file__).resolve().parents[2]
RELEASED: Final = ROOT / "fixtures" / "contract.txt"
OPENAPI: Final = ROOT / "shared" / "openapi.json"
VERSION: Final = "version"
_METHODS: Final = ("get", "post", "put", "patch", "delete")
_REQUIRED: Final = " required"


def contract_of(document: Mapping[str, Any]) -> dict[str, str]:
    """Every operation, parameter and field of an OpenAPI document with its type, by its place."""
    out = {VERSION: str(document["info"]["x-contract-version"])}
    for path, operations in document["paths"].items():
        for method in _METHODS:
            if operation := operations.get(method):
                out.update(_operation(f"{method.upper()} {path}", operation, document))
    for name, hook in document.get("webhooks", {}).items():
        schema = hook["post"]["requestBody"]["content"]["application/json"]["schema"]
        out.update(_fields(f"out event {name} ", schema, document))
    return out


def breaking(released: Mapping[str, str], now: Mapping[str, str]) -> list[str]:
    """What would break a client that was written for the released contract, in words."""
    if int(now[VERSION]) > int(released[VERSION]):
        return []
    found = []
    for place, was in released.items():
        new = now.get(place)
        if place == VERSION:
            continue
        if new is None:
            found.append(f"{place}: was {was}, and is gone")
        elif new != was and not _compatible(place, was, new):
            found.append(f"{place}: was {was}, and is {new}")
    for place, new in now.items():
        added_to_known = place not in released and any(place.startswith(p) for p in _requests(released))
        if added_to_known and new.endswith(_REQUIRED) and not _is_inside_new(place, released, now):
            found.append(f"{place}: is new and required")
    return found


def _requests(contract: Mapping[str, str]) -> set[str]:
    """The requests of known operations: a new required field in one breaks its callers."""
    return {" ".join(place.split(" ")[:3]) + " " for place in contract if place.startswith("in ")}


def _is_inside_new(place: str, released: Mapping[str, str], now: Mapping[str, str]) -> bool:
    """Whether a field belongs to a new object that a client may leave out."""
    holder = place.rpartition(".")[0].removesuffix("[]")
    return (
        holder in now
        and (not now[holder].endswith(_REQUIRED) or _is_inside_new(holder, released, now))
        and (holder not in released)
    )


def _compatible(place: str, was: str, new: str) -> bool:
    old_types, new_types = (set(text.removesuffix(_REQUIRED).split("|")) for text in (was, new))
    if place.startswith("in "):  # a request may be looser: more types, less that is required
        return old_types <= new_types and (was.endswith(_REQUIRED) or not new.endswith(_REQUIRED))
    return new_types <= old_types and (new.endswith(_REQUIRED) or not was.endswith(_REQUIRED))


def _operation(name: str, operation: Mapping[str, Any], document: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    yield f"op {name}", operation["operationId"]
    for parameter in operation.get("parameters", ()):
        required = _REQUIRED if parameter.get("required") else ""
        yield f"in {name} ?{parameter['name']}", _type(parameter["schema"], document) + required
    for media, content in operation.get("requestBody", {}).get("content", {}).items():
        yield f"in {name} {media}", "body"
        yield from _fields(f"in {name} ", content["schema"], document)
    for status, answer in operation["responses"].items():
        yield f"out {name} {status}", "answer"
        for content in answer.get("content", {}).values():
            yield from _fields(f"out {name} {status} ", content.get("schema", {}), document)


def _fields(
    at: str, schema: Mapping[str, Any], document: Mapping[str, Any], seen: tuple[str, ...] = ()
) -> Iterator[tuple[str, str]]:
    if ref := schema.get("$ref"):
        if ref in seen or ref.endswith("/Event"):  # the bodies of events are listed by themselves
            return
        seen = (*seen, ref)
    schema = _resolved(schema, document)
    if "items" in schema:
        yield from _fields(f"{at}[]", schema["items"], document, seen)
    needed = schema.get("required", ())
    for name, inner in schema.get("properties", {}).items():
        place = f"{at}.{name}"
        yield place, _type(inner, document) + (_REQUIRED if name in needed else "")
        yield from _fields(place, inner, document, seen)


def _type(schema: Mapping[str, Any], document: Mapping[str, Any]) -> str:
    schema = _resolved(schema, document)
    for key in ("anyOf", "oneOf"):
        if key in schema:
            return "|".join(sorted({_type(one, document) for one in schema[key]}))
    if "const" in schema:
        return f"={json.dumps(schema['const'])}"
    if "enum" in schema and "type" not in schema:
        return "string"
    named = schema.get("type", "any")
    return "|".join(sorted(named)) if isinstance(named, list) else str(named)


def _resolved(schema: Mapping[str, Any], document: Mapping[str, Any]) -> Mapping[str, Any]:
    while ref := schema.get("$ref"):
        schema = document["components"]["schemas"][ref.rsplit("/", 1)[1]]
    return schema


def read_released(path: Path = RELEASED) -> dict[str, str]:
    """The recorded contract."""
    lines = path.read_text(encoding="utf-8").splitlines()
    return {place: kind for place, _, kind in (line.partition(" = ") for line in lines)}


def main() -> None:
    now = contract_of(json.loads(OPENAPI.read_text(encoding="utf-8")))
    if "--release" in sys.argv[1:]:
        RELEASED.write_text("".join(f"{place} = {kind}\n" for place, kind in now.items()), encoding="utf-8")
        return
    found = breaking(read_released(), now)
    sys.stdout.writelines(f"{line}\n" for line in found)
    sys.exit(1 if found else 0)


if __name__ == "__main__":
    main()
