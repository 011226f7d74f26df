"""Versions of alertd, Python and SQLite, and a warning about an outdated Python."""

import sqlite3
import sys
from collections.abc import Sequence

import alertd

# First releases in which `ipaddress` no longer counts some private ranges as public (CVE-2024-4032). Webhook
# addresses are checked against a separate table (`delivery.address_policy`); the note concerns other code.
FIXED_IN: dict[tuple[int, int], int] = {(3, 11): 10, (3, 12): 4}


def platform_text() -> str:
    """Versions for the first line of the log. The daemon does not use SQLite's WAL mode, which has bugs in some
    releases."""
    return f"alertd {alertd.__version__}, Python {_dotted(sys.version_info[:3])}, SQLite {sqlite3.sqlite_version}"


def outdated(python: Sequence[int] = sys.version_info[:3]) -> str:
    """Why this Python should be updated; "" when it need not be."""
    patch = FIXED_IN.get((python[0], python[1]))
    if patch is None or python[2] >= patch:
        return ""
    return (
        f"Python {_dotted(python)} lacks security fixes of {python[0]}.{python[1]}.{patch} (CVE-2024-4032 among them); "
        "update it when you can"
    )


def _dotted(version: Sequence[int]) -> str:
    return ".".join(map(str, version))
