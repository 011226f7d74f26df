"""Count the messages that each person gets over a rehearsed day, by person and kind.

    python tests/benchmarks/message_counts.py [--skies NAME,...] [--trucks 4,40,500] [--tapes DIR] [--print TRIP]

See `alertd.testing.message_counts`. `--tapes` keeps the plans of a sky in a file, and later runs read them from there.
Trucks beyond the demo's four share the plans of one of these. More than a hundred trucks get a shorter day with fewer
cycles, from the evening before to the first passes.
"""

import argparse
import pickle
from collections import Counter
from pathlib import Path
from statistics import median

from alertd.testing.message_counts import SKIES, Counts, Tape, count_day

MANY_TRUCKS = 100
SHORT_HOURS, SHORT_EVERY_MIN = 14.5, 60


def row(sky: str, trucks_n: int, counts: Counts) -> str:
    """One line of figures of a day."""
    n = counts.pass_days or [0]
    kinds = Counter(kind for trip in counts.acting for kind in counts.driver[trip])
    driver = f"driver median {median(n):g} most {n[-1]} ({', '.join(f'{k} {v}' for k, v in sorted(kinds.items()))})"
    urgent = f"urgent {sum(counts.urgent.values())} ({', '.join(f'{k} {v}' for k, v in sorted(counts.urgent.items()))})"
    days = f"{len(counts.acting)} pass days"
    return f"{sky:16} {trucks_n:4} trucks, {days}: {driver}; office digests {counts.digests_n}, {urgent}"


def main() -> None:
    """Print a row for each sky and number of trucks."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--skies", default=",".join(SKIES))
    parser.add_argument("--trucks", default="4,40")
    parser.add_argument("--tapes", type=Path)
    parser.add_argument("--language", default="")
    parser.add_argument("--print", dest="shown", default="")
    args = parser.parse_args()
    for sky in args.skies.split(","):
        file = args.tapes / f"{sky}.pickle" if args.tapes else None
        tape: Tape = pickle.loads(file.read_bytes()) if file and file.exists() else {}
        for trucks_n in map(int, args.trucks.split(",")):
            if trucks_n > MANY_TRUCKS:
                counts = count_day(
                    sky, trucks_n, tape, language=args.language, hours=SHORT_HOURS, every_min=SHORT_EVERY_MIN
                )
            else:
                counts = count_day(sky, trucks_n, tape, language=args.language)
            if file:
                file.parent.mkdir(parents=True, exist_ok=True)
                file.write_bytes(pickle.dumps(tape))
            print(row(sky, trucks_n, counts), flush=True)
            for at, trip_id, who, text in counts.texts:
                if args.shown and trip_id in (args.shown, ""):
                    print(f"\n{at:%a %H:%M}Z {trip_id} {who}\n{text}")


if __name__ == "__main__":
    main()
