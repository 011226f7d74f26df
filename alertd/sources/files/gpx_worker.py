"""A GPX file read in a process of its own, which may be killed: bytes on standard input, one line of JSON out.

Run as `python -m alertd.sources.files.gpx_worker`. It can do nothing but end: its limits are its own, set before the
first
byte is read, and it is given no settings, no store and an empty environment.
"""

import json
import resource
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from alertd.errors import InputError
from alertd.route.clean import clean_line
from alertd.sources.files.gpx import GpxLimits, parse_gpx

CPU_S: Final = 5
MEMORY_BYTES: Final = 100_000_000  # beside what the libraries took while they were loaded
LIMITS: Final = GpxLimits(max_bytes=10_000_000)


def main() -> None:
    _limit_resources()
    data = sys.stdin.buffer.read(LIMITS.max_bytes + 1)
    sys.stdout.write(json.dumps(inspect(data)))


def inspect(data: bytes) -> dict[str, Any]:
    """What is in a GPX file, or the mistake that keeps it from being used."""
    try:
        line = clean_line(parse_gpx(data, "request", limits=LIMITS))
    except InputError as exc:
        return {"mistake": {"field": exc.field, "problem": exc.problem, "mend": exc.hint}}
    return {"name": line.name, "points": len(line.lat_deg), "findings": list(line.findings)}


def _limit_resources() -> None:
    for kind, most in (
        (resource.RLIMIT_CPU, CPU_S),
        (resource.RLIMIT_AS, _address_space_bytes() + MEMORY_BYTES),
        (resource.RLIMIT_FSIZE, 0),
        (resource.RLIMIT_CORE, 0),
    ):
        with suppress(ValueError, OSError):  # a system that knows no such limit; the parent's clock still ends us
            resource.setrlimit(kind, (most, most))


def _address_space_bytes() -> int:
    """Addresses in use; a guess on a system without /proc, libraries reserve far more than they use."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
    except OSError:
        return 1 << 30
    return pages * resource.getpagesize()


if __name__ == "__main__":
    main()
