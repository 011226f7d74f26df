"""A local time of day is one moment a date, in every zone and through every clock change."""

from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from dateutil import tz

from alertd.local_time import local_to_utc

# Northern and southern, without clock changes, half an hour of change (Lord Howe), changes at midnight (Santiago,
# Beirut), and odd offsets (Chatham).
ZONES = (
    "America/Denver",
    "America/Boise",
    "America/Los_Angeles",
    "America/Phoenix",
    "Europe/Zurich",
    "Europe/Oslo",
    "Pacific/Auckland",
    "Australia/Lord_Howe",
    "America/Santiago",
    "Asia/Beirut",
    "Pacific/Chatham",
    "Asia/Tokyo",
)
HALF_HOURS = tuple(time(m // 60, m % 60) for m in range(0, 1440, 30))
DENVER = ZoneInfo("America/Denver")


# 14 March 2027: 02:00 MST is followed by 03:00 MDT, at 09:00 UTC. 1 November 2026: 02:00 MDT by 01:00 MST (tz
# database).
@pytest.mark.parametrize(
    ("day", "at", "moment"),
    [
        (date(2027, 3, 14), time(1, 59), "2027-03-14T08:59"),
        (date(2027, 3, 14), time(2, 0), "2027-03-14T09:00"),
        (date(2027, 3, 14), time(2, 30), "2027-03-14T09:00"),
        (date(2027, 3, 14), time(3, 0), "2027-03-14T09:00"),
        (date(2026, 11, 1), time(1, 30), "2026-11-01T07:30"),
        (date(2026, 11, 1), time(2, 0), "2026-11-01T09:00"),
    ],
)
def test_skipped_time_is_after_the_gap_and_repeated_is_the_first(day: date, at: time, moment: str) -> None:
    assert local_to_utc(day, at, DENVER) == datetime.fromisoformat(moment).replace(tzinfo=UTC)


def test_date_that_a_zone_skipped_is_the_moment_of_the_change() -> None:
    """Samoa had no 30 December 2011 (tz database): the 29th ended at 10:00 UTC on the 30th, and the 31st began."""
    assert local_to_utc(date(2011, 12, 30), time(4, 30), ZoneInfo("Pacific/Apia")) == datetime(
        2011, 12, 30, 10, tzinfo=UTC
    )


def _is_near_a_change(day: date, zone: ZoneInfo) -> bool:
    """Or the first of a month; on the other days nothing happens that would not happen on these."""
    noons = (datetime.combine(day + timedelta(days=n), time(12), zone).utcoffset() for n in (-2, -1, 0, 1, 2))
    return day.day == 1 or len(set(noons)) > 1


@pytest.mark.parametrize("zone", ZONES)
def test_ten_years_of_half_hours_come_once_a_date_in_order(zone: str) -> None:
    """Held against python-dateutil, which knows by itself whether a local time exists and where it comes first."""
    here, theirs = ZoneInfo(zone), tz.gettz(zone)
    days = [day for day in (date(2026, 1, 1) + timedelta(days=n) for n in range(3653)) if _is_near_a_change(day, here)]
    for at in HALF_HOURS:
        moments = [local_to_utc(day, at, here) for day in days]
        assert all(a < b for a, b in pairwise(moments))
        for day, moment in zip(days, moments, strict=True):
            local = moment.astimezone(here)
            assert (local.date(), local.fold) == (day, 0)
            if local.time() != at:
                assert not tz.datetime_exists(datetime.combine(day, at, theirs))
                assert local.time() > at
                just_before = (moment - timedelta(seconds=1)).astimezone(here)
                assert just_before.replace(tzinfo=None) < datetime.combine(day, at)
