"""Simulated nights of the daemon, and controls that break a promise on purpose: the simulator must notice each."""

import importlib.util
import sys
from pathlib import Path
from typing import Any

import pytest

from alertd.store.schema import deliveries


def _load(name: str) -> Any:
    """The simulator is a script beside this file, so that a failing seed is one command."""
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


night = _load("night")


@pytest.fixture(scope="module")
def world_parts() -> Any:
    return night.night_settings()


def test_one_night_breaks_no_promise(world_parts: Any) -> None:
    assert sum(night.simulate(1, *world_parts).values()) > 20


@pytest.mark.slow
def test_nights_break_no_promise_and_fire_most_faults(world_parts: Any) -> None:
    fired: set[str] = set()
    for seed in (2, 3):
        fired |= night.simulate(seed, *world_parts).keys()
    missing = set(night.FAULTS) - fired
    assert len(missing) <= len(night.FAULTS) // 4, f"never fired: {missing}"


@pytest.mark.slow
def test_control_a_lost_notice_is_noticed(world_parts: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    check = night.check_decided

    def forgetful(world: Any, store: Any) -> None:
        check(world, store)
        with store._database._real._writing.begin() as connection:
            connection.execute(deliveries.delete())

    monkeypatch.setattr(night, "check_decided", forgetful)
    with pytest.raises(night.Violation, match="no delivery"):
        night.simulate(1, *world_parts)
