"""Values over ISO 8601 time intervals, turned into hours [start, end).

A state (temperature, cloud) holds over its interval; a total (rain, snow, ice) is spread evenly over it. Layers of one
answer have different intervals, so each is laid on the clock by itself, never by its position in the list.
"""

import re
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]
Span: TypeAlias = tuple[datetime, datetime]

_MOMENT = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}(:\d{2})?(\.\d+)?(Z|[+-]\d{2}(:?\d{2})?)")
_DURATION = re.compile(
    r"P(?:0+Y)?(?:0+M)?(?:(?P<days>\d+)D)?(?:T(?=\d)(?:(?P<hours>\d+)H)?(?:(?P<minutes>\d+)M)?(?:(?P<seconds>\d+)S)?)?"
)


def parse_interval(text: str, *, now_utc: datetime) -> Span:
    """An ISO 8601 interval as aware moments: start/duration, start/end or duration/end; NOW stands for now_utc.

    Months and years other than none are refused, for they have no fixed length. Raises ValueError.
    """
    first, slash, second = text.partition("/")
    if not slash:
        raise ValueError(f'"{text}" is no interval')
    if first.startswith("P"):
        end = _moment(second, now_utc)
        start = end - _duration(first)
    else:
        start = _moment(first, now_utc)
        end = start + _duration(second) if second.startswith("P") else _moment(second, now_utc)
    if end <= start:
        raise ValueError(f'"{text}" ends before it starts')
    return start, end


def _moment(text: str, now_utc: datetime) -> datetime:
    if text == "NOW":
        return now_utc
    if not _MOMENT.fullmatch(text):
        raise ValueError(f'"{text}" is no moment with an offset from UTC')
    return datetime.fromisoformat(text)


def _duration(text: str) -> timedelta:
    match = _DURATION.fullmatch(text)
    if match is None or not any(match.groups()):
        raise ValueError(f'"{text}" is no duration in days, hours, minutes and seconds')
    try:
        return timedelta(**{name: int(value) for name, value in match.groupdict().items() if value})
    except OverflowError as exc:
        raise ValueError(f'"{text}" is too long') from exc


def overlap_h(spans: Sequence[Span], start: datetime, hours: int) -> Array:
    """(interval, hour): hours of each interval that fall into each hour after `start`."""
    edges = np.array([[(moment - start).total_seconds() / 3600.0 for moment in span] for span in spans])
    edges = edges.reshape(-1, 2)
    hour = np.arange(hours, dtype=np.float64)
    shared: Array = np.minimum(edges[:, 1:], hour + 1.0) - np.maximum(edges[:, :1], hour)
    return np.maximum(shared, 0.0)


def held(spans: Sequence[Span], values: Array, start: datetime, hours: int) -> Array:
    """(hour,): a state that holds over its intervals, as the mean over each hour; NaN where not wholly covered.

    Raises ValueError when intervals overlap one another.
    """
    return _covered(overlap_h(spans, start, hours), values)


def rates_per_h(spans: Sequence[Span], totals: Array, start: datetime, hours: int) -> Array:
    """(hour,): totals over their intervals as amounts an hour, prorated; NaN where an hour is not wholly covered.

    Raises ValueError when intervals overlap one another.
    """
    length_h = np.array([(end - begin).total_seconds() / 3600.0 for begin, end in spans])
    return _covered(overlap_h(spans, start, hours), totals / length_h)


def _covered(share: Array, values: Array) -> Array:
    whole = share.sum(axis=0)
    if np.any(whole > 1.0 + 1e-9):
        raise ValueError("intervals overlap")
    total = np.where(share > 0.0, share * values[:, None], 0.0).sum(axis=0)
    return np.where(whole > 1.0 - 1e-9, total, np.nan)
