"""What the interface answers against what its description says, for requests that schemathesis makes from it."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from fastapi import FastAPI
from hypothesis import HealthCheck, given, settings
from schemathesis.checks import CHECKS

from alertd.planning.planner import Planner
from alertd.planning.weather import WeatherSources
from alertd.service.cap_alerts import CapAlerts
from alertd.settings.model import HttpLimits, Settings
from alertd.settings.reference_data import ReferenceData
from alertd.store.store import Store
from alertd.web.app import make_api

EXAMPLES = settings().max_examples // 5  # of each operation; tests/benchmarks/conformance.py makes as many as one wants
TOKEN = "long-random-token"
NOW = datetime(2027, 1, 14, 10, 30, tzinfo=UTC)


@pytest.fixture
def app(make_settings: Callable[..., Settings], ground: ReferenceData, tmp_path: Path) -> Iterator[FastAPI]:
    routes = tmp_path / "routes"
    routes.mkdir()
    # The checks ask without a token too, far more often than anybody may.
    often = HttpLimits(requests_per_min=10**9, failures_per_min=10**9)
    # The loader asks for the description by the name that Starlette's test client has.
    own = make_settings(trips=None, http_token=TOKEN, http_limits=often, http_names=("testserver",))
    own = replace(own, places=replace(own.places, routes=routes))
    with Store(tmp_path / "alertd.db") as store:
        alerts = CapAlerts(store, own.fleet)
        alerts.made_at = NOW
        planning = Planner(
            own, replace(ground, routes=routes), WeatherSources(providers=[], members=5, seed=1, stale_h=6.0), []
        )
        yield make_api(planning, store, lambda: NOW, lambda: None, alerts=alerts)


def operations(app: FastAPI) -> list[Any]:
    return [found.ok() for found in schemathesis.openapi.from_asgi("/openapi.json", app).get_all_operations()]


def check(operation: Any, examples: int) -> None:
    """Make requests of one operation and hold each answer against the description.

    Not checked: that each request which fits its schema is taken, since a schema cannot say which rigs there are.
    """

    @settings(max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck), database=None)
    @given(operation.as_strategy())
    def run(case: Any) -> None:
        case.call_and_validate(
            headers={"Authorization": f"Bearer {TOKEN}"}, excluded_checks=[CHECKS.get_one("positive_data_acceptance")]
        )

    run()


@pytest.mark.hypothesis
def test_answers_are_what_the_description_says(app: FastAPI) -> None:
    found = operations(app)
    assert len(found) > 20
    for operation in found:
        check(operation, EXAMPLES)
