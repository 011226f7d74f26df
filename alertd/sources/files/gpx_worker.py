"""Inspects a GPX file in a separate process that may be killed: bytes on stdin, one line of JSON out.

Run as `python -m alertd.sources.files.gpx_worker`. It sets its own resource limits before it reads the first byte. It
gets no settings, no store and an empty environment.
"""

import json
import resource
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from alertd.errors import InputError
from alertd.route.geometry.clean import clean_line
from alertd.sources.files.gpx.points import GpxLimits
from alertd.sources.files.gpx.read import parse_gpx

CPU_S: Final = 5
MEMORY_BYTES: Final = 100_000_000  # in addition to the address space after imports
LIMITS: Final = GpxLimits(max_bytes=10_000_000)


def main() -> None:
    """Read a GPX file from stdin under resource limits and print the result as JSON."""
    _limit_resources()
    data = sys.stdin.buffer.read(LIMITS.max_bytes + 1)
    sys.stdout.write(json.dumps(inspect(data)))


def inspect(data: bytes) -> dict[str, Any]:
    """Return the contents of a GPX file, or the error that makes it unusable."""
    try:
        line = clean_line(parse_gpx(data, "request", limits=LIMITS))
    except InputError as exc:
        return {"mistake": {"field": exc.field, "problem": exc.problem, "hint": exc.hint}}
    return {"name": line.name, "points": len(line.lat_deg), "findings": list(line.findings)}


def _limit_resources() -> None:
    for kind, most in (
        (resource.RLIMIT_CPU, CPU_S),
        (resource.RLIMIT_AS, _address_space_bytes() + MEMORY_BYTES),
        (resource.RLIMIT_FSIZE, 0),
        (resource.RLIMIT_CORE, 0),
    ):
        with suppress(ValueError, OSError):  # the system lacks this limit; the parent's timeout still ends this process
            resource.setrlimit(kind, (most, most))


def _address_space_bytes() -> int:
    """Address space in use [bytes]. 1 GiB, assumed, on a system without /proc: libraries reserve more than they use."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
    except OSError:
        return 1 << 30
    return pages * resource.getpagesize()


if __name__ == "__main__":
    main()
