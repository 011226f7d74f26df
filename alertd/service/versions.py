"""What the daemon says once at its start of the Python and SQLite it runs on."""

import sqlite3
import sys
from collections.abc import Sequence

import alertd

# The first releases in which `ipaddress` no longer takes some private ranges for public (CVE-2024-4032). Webhook
# addresses are judged by a table of our own (`delivery.addresses`); the note is for what else runs on that Python.
MENDED: dict[tuple[int, int], int] = {(3, 11): 10, (3, 12): 4}


def runs_on() -> str:
    """For the log's first line. SQLite's WAL mode, which some of its releases get wrong, is not used by the daemon."""
    return f"alertd {alertd.__version__}, Python {_dotted(sys.version_info[:3])}, SQLite {sqlite3.sqlite_version}"


def outdated(python: Sequence[int] = sys.version_info[:3]) -> str:
    """Why this Python should be updated; "" when it need not."""
    patch = MENDED.get((python[0], python[1]))
    if patch is None or python[2] >= patch:
        return ""
    return (
        f"Python {_dotted(python)} lacks security fixes of {python[0]}.{python[1]}.{patch} (CVE-2024-4032 among them); "
        "update it when you can"
    )


def _dotted(version: Sequence[int]) -> str:
    return ".".join(map(str, version))
