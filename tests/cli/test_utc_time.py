"""A time of no place is in UTC, and says so."""

from datetime import datetime
from zoneinfo import ZoneInfo

from alertd.cli.utc_time import utc_time


def test_a_time_of_no_place_names_utc() -> None:
    assert utc_time(datetime(2026, 1, 14, 4, 30, tzinfo=ZoneInfo("America/Denver"))) == "2026-01-14 11:30 UTC"
