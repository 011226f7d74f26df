"""Simulated nights of the daemon, and controls that break a promise on purpose: the simulator must notice each."""

import importlib.util
import sys
from pathlib import Path
from typing import Any

import pytest

from alertd.store.schema import attempts, deliveries


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


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_night_breaks_no_promise(seed: int, world_parts: Any) -> None:
    assert sum(night.simulate(seed, *world_parts).values()) > 20


@pytest.mark.slow
def test_nights_break_no_promise_and_fire_every_fault(world_parts: Any) -> None:
    """More by hand: `python tests/simulation/night.py 18-500`."""
    fired: set[str] = set()
    for seed in range(4, 18):
        fired |= night.simulate(seed, *world_parts).keys()
    assert set(night.FAULTS) <= fired, f"never fired: {set(night.FAULTS) - fired}"


@pytest.mark.slow
def test_control_a_lost_notice_is_noticed(world_parts: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    check = night.check_decided

    def forgetful(world: Any, store: Any) -> None:
        check(world, store)
        with store._database._real._writing.begin() as connection:
            connection.execute(attempts.delete())
            connection.execute(deliveries.delete())

    monkeypatch.setattr(night, "check_decided", forgetful)
    with pytest.raises(night.Violation, match="no delivery"):
        night.simulate(1, *world_parts)


@pytest.mark.slow
def test_control_a_mark_without_delivery_is_noticed(world_parts: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    async def swallow(self: Any, outgoing: Any, now_epoch_s: float) -> None:
        return None

    monkeypatch.setattr(night.Receiver, "send", swallow)
    with pytest.raises(night.Violation, match="never reached"):
        night.simulate(1, *world_parts)


@pytest.mark.slow
def test_control_other_bytes_are_noticed(world_parts: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    send, n = night.Receiver.send, iter(range(10**6))

    async def changed(self: Any, outgoing: Any, now_epoch_s: float) -> None:
        await send(self, outgoing, now_epoch_s)
        id_, notice, trip, body = self.got[-1]
        self.got[-1] = (id_, notice, trip, body + b"%d" % next(n))
        self.got.append((*self.got[-1][:3], body))

    monkeypatch.setattr(night.Receiver, "send", changed)
    with pytest.raises(night.Violation, match="other bytes"):
        night.simulate(1, *world_parts)


mutations, outages = _load("mutations"), _load("outages")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("removed", "seed", "noticed"),
    [
        ("delivery marked before it is sent", 1, "never reached"),
        ("notice and deliveries not in one transaction", 1, "no delivery"),
        ("relief on a partial plan", 1, "partial plan"),
        ("notices kept by their own time", 12, "decided notices are gone"),
        ("sent notices forgotten while the disk is full", 1, "twice from a daemon that saw it accepted"),
    ],
)
def test_night_without_a_safeguard_breaks_a_promise(removed: str, seed: int, noticed: str, world_parts: Any) -> None:
    """The whole table of safeguards is `python tests/simulation/mutations.py`."""
    assert noticed in mutations.first_failure(removed, [seed], world_parts)


@pytest.mark.slow
@pytest.mark.parametrize("kind", outages.KINDS)
@pytest.mark.parametrize("hours", [24])  # 72 h take minutes: `python tests/simulation/outages.py`
def test_outage_loses_nothing_and_floods_nobody(kind: str, hours: int, world_parts: Any) -> None:
    """`check_end` has found every notice delivered, parked or expired; the hour after the return is no flood."""
    seen = outages.outage(kind, hours, 1, *world_parts)
    assert seen.parked_of_use_n == 0
    assert seen.most_to_a_driver <= 3
