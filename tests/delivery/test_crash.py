"""A short run of the kill test; the long one is tests/benchmarks/crash_outbox.py."""

import json
import subprocess
import sys
from pathlib import Path


def test_nothing_decided_is_lost_to_kill_9_and_twice_means_the_same_bytes() -> None:
    script = Path(__file__).resolve().parents[1] / "benchmarks" / "crash_outbox.py"
    ran = subprocess.run([sys.executable, str(script), "--kills", "5"], capture_output=True, text=True, check=True)
    tally = json.loads(ran.stdout)
    assert tally["kills"] == 5  # the fault did happen
    assert tally["decided"] > 0
    assert (tally["lost"], tally["same_id_other_bytes"], tally["refused_signatures"]) == (0, 0, 0)
    assert tally["sent_twice"] <= 5 * 4  # at most one a kill and worker
