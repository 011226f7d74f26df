"""Requests made from the description of the HTTP interface, right and wrong ones, as many as one wants.

    python tests/benchmarks/conformance.py [EXAMPLES]     of each operation and kind; 200 if not given

Says for each operation how many of each status came back, and fails on an answer that the description does not allow,
on any 5xx, and on a wrong request that is taken.
"""

import logging
import sys
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import schemathesis
from fastapi import FastAPI
from hypothesis import HealthCheck, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis.checks import CHECKS
from schemathesis.generation import GenerationMode

from alertd.clock import system_clock
from alertd.planning.planner import Planner
from alertd.planning.weather import WeatherSources
from alertd.service.cap_alerts import CapAlerts
from alertd.settings.model import HttpLimits
from alertd.settings.read import read_settings
from alertd.settings.reference_data import load_reference_data
from alertd.store.store import Store
from alertd.web.app import make_api

DEMO = Path(__file__).resolve().parents[2] / "fixtures" / "demo"
TOKEN = "long-random-token"
# A schema cannot say which rigs there are, and a trip of 2027 is not wrong because it is over.
NOT_CHECKED = ("positive_data_acceptance",)


def main(examples: int) -> int:
    logging.disable(logging.CRITICAL)
    with tempfile.TemporaryDirectory() as folder, Store(Path(folder) / "alertd.db") as store:
        app = _app(Path(folder), store)
        schema = schemathesis.openapi.from_asgi("/openapi.json", app)
        failed = 0
        for found in schema.get_all_operations():
            operation = found.ok()
            for mode in (GenerationMode.POSITIVE, GenerationMode.NEGATIVE):
                counted: Counter[int] = Counter()
                try:
                    _run(operation, mode, examples, counted)
                    verdict = "as described"
                except Unsatisfiable:
                    verdict = "nothing can be wrong with it"
                except Exception as exc:
                    failed += 1
                    verdict = f"FAILED: {exc} {[str(e) for e in getattr(exc, 'exceptions', ())]}"
                print(f"{operation.label:42} {mode.value:9} {dict(sorted(counted.items()))} {verdict}", flush=True)
    print(f"{failed} failed")
    return 1 if failed else 0


def _run(operation: Any, mode: GenerationMode, examples: int, counted: Counter[int]) -> None:
    @settings(max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck), database=None)
    @given(operation.as_strategy(generation_mode=mode))
    def run(case: Any) -> None:
        excluded = [CHECKS.get_one(name) for name in NOT_CHECKED]
        answer = case.call_and_validate(headers={"Authorization": f"Bearer {TOKEN}"}, excluded_checks=excluded)
        counted[answer.status_code] += 1

    run()


def _app(folder: Path, store: Store) -> FastAPI:
    routes = folder / "routes"
    routes.mkdir()
    own = read_settings(DEMO / "alertd.toml")
    often = HttpLimits(requests_per_min=10**9, failures_per_min=10**9)
    own = replace(own, places=replace(own.places, routes=routes), http_token=TOKEN, http_limits=often, trips=None)
    own = replace(own, http_names=("testserver",))  # by which schemathesis asks for the description
    alerts = CapAlerts(store, own.fleet)
    alerts.made_at = system_clock()
    sky = WeatherSources(providers=[], members=5, seed=1, stale_h=6.0)
    planning = Planner(own, replace(load_reference_data(own.places), routes=routes), sky, [])
    return make_api(planning, store, system_clock, lambda: None, alerts=alerts)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 200))
