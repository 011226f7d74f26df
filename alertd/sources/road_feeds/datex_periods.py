"""The intervals in which a DATEX II record is valid, recurring periods included.

Elements (schemas 3.1 and 3.7, Common): validPeriod with startOfPeriod and endOfPeriod, recurringTimePeriodOfDay of type
TimePeriodByHour (startTimeOfPeriod, endTimeOfPeriod) and recurringDayWeekMonthPeriod (applicableDay). An
exceptionPeriod is not used: the record then counts for longer than it applies.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from xml.etree.ElementTree import Element
from zoneinfo import ZoneInfo

from alertd.sources.iso_time import iso_utc
from alertd.sources.road_feeds.xml_names import child, children, text

EXPANDED_DAYS: Final = 7  # [A] from the day before publication; longer than any trip is planned ahead
MAX_INTERVALS: Final = 50
_DAYS: Final = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_NOT_EXPANDED: Final = "only at times that its source gives in a form not read here"


@dataclass(frozen=True, slots=True)
class Interval:
    """From `since` to `until`, aware and UTC; None where open."""

    since: datetime | None
    until: datetime | None

    def within(self, other: "Interval") -> "Interval | None":
        """The common part, None if there is none."""
        since = max((t for t in (self.since, other.since) if t is not None), default=None)
        until = min((t for t in (self.until, other.until) if t is not None), default=None)
        return None if since is not None and until is not None and until <= since else Interval(since, until)


def valid_intervals(
    specification: Element | None, overall: Interval, published: datetime | None, zone: str
) -> tuple[tuple[Interval, ...], str]:
    """The intervals of validity within the overall one, and a remark for the reader, "" for none.

    Periods that cannot be expanded count for the whole overall interval, with a remark. That a recurring period has no
    day within EXPANDED_DAYS is no reason to drop a record: the overall interval counts then too.
    """
    periods = children(specification, "validPeriod")
    if not periods:
        return (overall,), ""
    found: list[Interval] = []
    for period in periods:
        bounds = Interval(_moment(period, "startOfPeriod"), _moment(period, "endOfPeriod"))
        inside = bounds.within(overall)
        if inside is None:
            continue
        recurring = [e for e in period if e.tag.rpartition("}")[2].startswith("recurring")]
        if not recurring:
            found.append(inside)
            continue
        expanded = _expanded(period, recurring, inside, published, zone)
        if expanded is None:
            return (overall,), _NOT_EXPANDED
        found += expanded
    return (tuple(found[:MAX_INTERVALS]), "") if found else ((overall,), _NOT_EXPANDED)


def _expanded(
    period: Element, recurring: list[Element], inside: Interval, published: datetime | None, zone: str
) -> list[Interval] | None:
    hours = children(period, "recurringTimePeriodOfDay")
    weeks = children(period, "recurringDayWeekMonthPeriod")
    if published is None or len(hours) + len(weeks) != len(recurring):
        return None
    days = {text(e).lower() for week in weeks for e in children(week, "applicableDay")}
    other = [e for week in weeks for e in week if e.tag.rpartition("}")[2] != "applicableDay"]
    if other or not days <= set(_DAYS):
        return None
    spans = [(_clock(e, "startTimeOfPeriod"), _clock(e, "endTimeOfPeriod")) for e in hours] or [(time(0), time(0))]
    local = ZoneInfo(zone) if zone else None
    first = published.astimezone(local or UTC).date() - timedelta(days=1)
    found = []
    for since, until in spans:
        if since is None or until is None or (local is None and (since.tzinfo is None or until.tzinfo is None)):
            return None
        for n in range(EXPANDED_DAYS + 1):
            day = first + timedelta(days=n)
            if days and _DAYS[day.weekday()] not in days:
                continue
            # An end at or before the start is on the next day: 22:00 to 05:00, and 00:00 to 00:00 for a whole day.
            last = day if _same_day(since, until) else day + timedelta(days=1)
            one = Interval(_at(day, since, local), _at(last, until, local)).within(inside)
            if one is not None:
                found.append(one)
    return sorted(found, key=lambda i: i.since or published)


def _same_day(since: time, until: time) -> bool:
    return until.replace(tzinfo=None) > since.replace(tzinfo=None)


def _at(day: date, clock: time, zone: ZoneInfo | None) -> datetime:
    return datetime.combine(day, clock, tzinfo=clock.tzinfo or zone).astimezone(UTC)


def _clock(e: Element, name: str) -> time | None:
    try:
        return time.fromisoformat(text(child(e, name)).replace("24:00", "00:00"))
    except ValueError:
        return None


def _moment(period: Element, name: str) -> datetime | None:
    return iso_utc(text(child(period, name)))
