"""No change breaks a client of the released contract, and the comparison finds each kind of break."""

import json
import shutil
import subprocess
import sys
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest

from alertd.testing.contract import OPENAPI, breaking, contract_of, read_released

DOCUMENT = json.loads(OPENAPI.read_text(encoding="utf-8"))


def test_nothing_breaks_a_client_of_the_released_contract() -> None:
    """After a wanted break raise CONTRACT_VERSION; at a release run `python -m alertd.testing.contract --release`."""
    assert breaking(read_released(), contract_of(DOCUMENT)) == []


def changed(edit: Any) -> list[str]:
    document = deepcopy(DOCUMENT)
    edit(document)
    return breaking(contract_of(DOCUMENT), contract_of(document))


def schema(document: dict[str, Any], name: str) -> dict[str, Any]:
    found: dict[str, Any] = document["components"]["schemas"][name]
    return found


def test_a_break_is_found_and_named() -> None:
    def gone(d: dict[str, Any]) -> None:
        del schema(d, "EventPage")["properties"]["missed"]

    def renamed(d: dict[str, Any]) -> None:
        d["paths"]["/v1/trips"]["post"]["operationId"] = "make_trip"

    def retyped(d: dict[str, Any]) -> None:
        schema(d, "EventPlan")["properties"]["advice"] = {"type": "integer"}

    def nullable(d: dict[str, Any]) -> None:
        schema(d, "Trip")["properties"]["rig"] = {"type": ["string", "null"]}

    def demanded(d: dict[str, Any]) -> None:
        schema(d, "TripRequest")["required"].append("driver")

    def new_and_demanded(d: dict[str, Any]) -> None:
        schema(d, "TripRequest")["properties"]["load"] = {"type": "string"}
        schema(d, "TripRequest")["required"].append("load")

    def unsaid(d: dict[str, Any]) -> None:
        schema(d, "LoggedEvent")["required"].remove("seq")

    for edit in (gone, renamed, retyped, nullable, demanded, new_and_demanded, unsaid):
        assert changed(edit), edit.__name__


def test_additions_and_a_new_version_are_no_break() -> None:
    def field(d: dict[str, Any]) -> None:
        schema(d, "Trip")["properties"]["load"] = {"type": "string"}
        schema(d, "TripRequest")["properties"]["load"] = {"type": "string"}

    def new_object(d: dict[str, Any]) -> None:
        inner = {"type": "object", "properties": {"kg": {"type": "number"}}, "required": ["kg"]}
        schema(d, "TripRequest")["properties"]["loads"] = {"type": "array", "items": inner}

    def version(d: dict[str, Any]) -> None:
        del d["paths"]["/v1/score"]
        d["info"]["x-contract-version"] += 1

    assert changed(field) == []
    assert changed(new_object) == []
    assert changed(version) == []


def test_every_operation_has_an_id_types_and_refusals() -> None:
    """OpenAPI 3.1.0 sections 4.8.10 and 4.8.16, and what common linters ask for."""
    ids = []
    for path, operations in DOCUMENT["paths"].items():
        for operation in operations.values():
            ids.append(operation["operationId"])
            assert operation["summary"]
            assert any(status.startswith("4") for status in operation["responses"]), path
            for status, answer in operation["responses"].items():
                for content in answer.get("content", {}).values():
                    assert content["schema"], (path, status)
    assert len(ids) == len(set(ids)) > 30
    assert len(DOCUMENT["webhooks"]) == 10


USE_TYPES = """
import type { components, paths, webhooks } from "./api";
type Body<T extends keyof webhooks> = webhooks[T]["post"]["requestBody"]["content"]["application/json"];
export const trip: paths["/v1/trips"]["post"]["requestBody"]["content"]["application/json"] =
  { id: "T-1", route: "a", rig: "b", depart: "2027-01-14T04:45:00-07:00" };
export const advice = (plan: components["schemas"]["Plan"]): string => plan.advice;
export const next = (page: components["schemas"]["EventPage"]): number => page.next_after;
export const of = (event: Body<"trip.plan">): string => event.data.plan.trip_id;
// @ts-expect-error
export const wrong = (event: Body<"fleet.brief">): number => event.data.text;
"""


@pytest.mark.slow
def test_public_linter_and_typescript_find_no_fault(tmp_path: Path) -> None:
    npx = shutil.which("npx")
    if npx is None:
        pytest.skip("no Node.js on this machine")
    shutil.copy(OPENAPI, tmp_path / "openapi.json")
    (tmp_path / "use.ts").write_text(USE_TYPES, encoding="utf-8")
    packages = ["openapi-typescript@7", "typescript@5", "@redocly/cli@2"]
    npm = shutil.which("npm") or "npm"
    got = subprocess.run(
        [npm, "install", "--no-audit", "--no-fund", *packages], cwd=tmp_path, capture_output=True, check=False
    )
    if got.returncode:
        pytest.skip("the packages of the generator cannot be had here")
    for command in (
        ["openapi-typescript", "openapi.json", "--default-non-nullable=false", "-o", "api.d.ts"],
        ["tsc", "--noEmit", "--strict", "use.ts"],
    ):
        done = subprocess.run([npx, "--no", *command], cwd=tmp_path, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.slow
def test_validator_and_python_client_find_no_fault(tmp_path: Path) -> None:
    venv = tmp_path / "venv"
    subprocess.run([sys.executable, "-m", "venv", str(venv)], check=True)
    packages = ["openapi-python-client>=0.25,<1", "openapi-spec-validator>=0.7,<1"]
    got = subprocess.run([venv / "bin" / "pip", "install", "--quiet", *packages], capture_output=True, check=False)
    if got.returncode:
        pytest.skip("the generator cannot be had here")
    subprocess.run([venv / "bin" / "openapi-spec-validator", str(OPENAPI)], check=True)
    made = tmp_path / "client"
    command = ["generate", "--path", str(OPENAPI), "--output-path", str(made), "--meta", "none"]
    path = {"PATH": f"{venv / 'bin'}:/usr/bin:/bin"}
    done = subprocess.run(
        [venv / "bin" / "openapi-python-client", *command], env=path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "has resulted in the removal" not in done.stdout
    assert (made / "models" / "event_page.py").exists()
    subprocess.run([venv / "bin" / "python", "-m", "compileall", "-q", str(made)], check=True)
