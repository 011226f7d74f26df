"""Damaged files for a reader, for minutes: every failure but one line of the reader's own is a fault.

    python tests/benchmarks/fuzz.py --minutes 10 gpx nws http      # no name: all readers, one after another
    python tests/benchmarks/fuzz.py --seed 7 --minutes 1 datex

Each case starts from a kept file of `fixtures/fuzz` or of the demo. A file that causes a fault is written, as short as
the search finds it, to the folder of `--found`; put it into `fixtures/fuzz/READER` with the mend.
"""

import argparse
import hashlib
import logging
import random
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve()
sys.path[:0] = [str(HERE.parents[2]), str(HERE.parents[1] / "fuzz")]

from mutation import damaged, drawn  # noqa: E402 - after the path
from readers import READERS, Fault, check  # noqa: E402

SLOW_S = 5.0  # a case that takes longer holds a daemon up


def fuzz(name: str, seed: int, within_s: float, found: Path) -> tuple[int, dict[str, int]]:
    """Run cases until the time is over; returns their number, and how often each fault came."""
    draw, corpus = random.Random(seed), READERS[name].corpus(name)
    fault(name, corpus[0])  # what a reader loads once is no part of a case
    ends_s, cases_n, faults = time.monotonic() + within_s, 0, {}
    while time.monotonic() < ends_s:
        data, changes = draw.choice(corpus), drawn(draw)
        began_s, cases_n = time.monotonic(), cases_n + 1
        what = fault(name, damaged(data, changes))
        if not what and (took_s := time.monotonic() - began_s) > SLOW_S:
            what = f"{name}: takes {took_s:.0f} s"
        if not what:
            continue
        if what not in faults:
            for change in list(changes):  # the fewest changes that still fail
                fewer = [one for one in changes if one is not change]
                if fault(name, damaged(data, fewer)) == what:
                    changes = fewer
            bad = damaged(data, changes)
            found.mkdir(parents=True, exist_ok=True)
            (found / f"{name}-{hashlib.sha256(bad).hexdigest()[:12]}").write_bytes(bad)
            print(f"  {what}", flush=True)
        faults[what] = faults.get(what, 0) + 1
    return cases_n, faults


def fault(name: str, data: bytes) -> str:
    """What failed; "" for a file that is read, or refused with one line."""
    try:
        check(name, data)
    except Fault as exc:
        return str(exc)[:160]
    return ""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", metavar="READER", help=", ".join(READERS))
    parser.add_argument("--minutes", type=float, default=10.0, help="of each reader")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--found", type=Path, default=Path("fuzz-found"))
    asked = parser.parse_args()
    logging.disable(logging.CRITICAL if "http" not in asked.names else logging.NOTSET)
    bad = 0
    for name in asked.names or READERS:
        cases_n, faults = fuzz(name, asked.seed, 60.0 * asked.minutes, asked.found)
        print(f"{name:16} {cases_n:8} cases  {len(faults):3} faults", flush=True)
        bad += len(faults)
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
