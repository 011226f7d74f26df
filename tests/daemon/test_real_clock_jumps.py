"""The real daemon under libfaketime: see `tests/benchmarks/clock_jumps.py`, which runs all jumps by hand."""

import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).resolve().parents[1] / "benchmarks" / "clock_jumps.py"


@pytest.mark.slow
def test_month_ahead_and_back_loses_no_waiting_notice() -> None:
    done = subprocess.run(
        [sys.executable, str(SCRIPT), "+31d"], capture_output=True, text=True, timeout=300, check=False
    )
    if "libfaketime is not installed" in done.stderr:
        pytest.skip("libfaketime is not installed")
    assert done.returncode == 0, done.stdout + done.stderr
