"""A few hours of the day of faults; all of it is tests/benchmarks/faults_day.py."""

import importlib.util
import sys
from datetime import timedelta
from pathlib import Path

from alertd.testing.fake_open_meteo import ApiFault, FaultKind

SCRIPT = Path(__file__).resolve().parents[1] / "benchmarks" / "faults_day.py"


async def test_missing_or_stale_forecast_is_never_clear_or_eased(tmp_path: Path) -> None:
    spec = importlib.util.spec_from_file_location("faults_day", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    script = importlib.util.module_from_spec(spec)
    sys.modules["faults_day"] = script  # its dataclass looks there for itself
    spec.loader.exec_module(script)
    faults = [
        None,
        *(ApiFault(kind=kind) for kind in (FaultKind.DOWN, FaultKind.NULLS, FaultKind.STALE, FaultKind.MISLABELLED)),
    ]
    sound, *failing = await script.a_day(tmp_path, faults, timedelta(hours=1))
    assert sound.relief_else > 0
    for row in failing:
        assert row.fired > 0
        assert row.blind > 0
        assert (row.clear, row.eased) == (0, 0)
