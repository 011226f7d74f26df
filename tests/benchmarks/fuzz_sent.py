"""Bytes that a coverage-guided fuzzer makes, as GPX files and as JSON bodies: anything but a mistake told is a fault.

    pip install atheris && python tests/benchmarks/fuzz_sent.py gpx|json [-max_total_time=180] [-runs=N] [FOLDER]

Options are libFuzzer's. What makes us fail is written as crash-... to the folder one is in.
"""

import json
import sys
from collections.abc import Callable
from contextlib import suppress

import atheris

with atheris.instrument_imports(include=["alertd"]):
    from alertd.errors import InputError
    from alertd.sources.files.gpx_worker import inspect
    from alertd.sources.files.trips import parse_trip
    from alertd.sources.requests.closures import parse_closure
    from alertd.sources.requests.driver_reports import parse_report
    from alertd.sources.requests.positions import parse_position
    from alertd.sources.requests.posted_controls import parse_posted

BODIES = (parse_trip, parse_position, parse_report, parse_closure, parse_posted)


def gpx(data: bytes) -> None:
    # Half of them inside a track, else few get past the first element.
    if data[:1] < b"\x80":
        data = b"<gpx><trk><trkseg><trkpt lat='47' lon='-115'/>" + data[1:] + b"</trkseg></trk></gpx>"
    json.dumps(inspect(data))


def bodies(data: bytes) -> None:
    try:
        value = json.loads(data)
    except (ValueError, RecursionError):
        return
    for parse in BODIES:
        with suppress(InputError):
            parse(value, "request")


def main() -> None:
    wanted: dict[str, Callable[[bytes], None]] = {"gpx": gpx, "json": bodies}
    atheris.Setup([sys.argv[0], *sys.argv[2:]], wanted[sys.argv[1]])
    atheris.Fuzz()


if __name__ == "__main__":
    main()
