"""A slice of the power-cut replay of `tests/benchmarks/power_cut.py`, and its controls, which must lose notices."""

import importlib.util
import sys
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def power_cut() -> Any:
    path = Path(__file__).parents[1] / "benchmarks" / "power_cut.py"
    spec = importlib.util.spec_from_file_location("power_cut", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["power_cut"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def recorded(power_cut: Any, tmp_path_factory: pytest.TempPathFactory) -> tuple[Any, str]:
    folder = tmp_path_factory.mktemp("power").resolve()
    try:
        return power_cut.record(folder, 8, 1), str(folder / "disk")
    except power_cut.NoCompilerError as exc:
        pytest.skip(str(exc))


def test_no_cut_of_power_loses_a_decided_notice(power_cut: Any, recorded: tuple[Any, str]) -> None:
    outcome = power_cut.replay(*recorded, 12, 1)
    assert outcome.failed == []
    assert outcome.cuts.total() == 36
    assert outcome.with_unsynced_n > 3
    assert {"o", "w", "s", "u"} <= outcome.ops.keys()


@pytest.mark.parametrize("control", ["fsync", "folder"])
def test_a_disk_that_ignores_syncs_is_noticed(power_cut: Any, recorded: tuple[Any, str], control: str) -> None:
    """`folder`: the names only. A journal that comes back rolls a reported commit back."""
    assert power_cut.replay(*recorded, 12, 1, control).failed
