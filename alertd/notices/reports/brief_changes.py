"""What changed for a fleet since its last brief: the facts that a brief keeps, and their differences in lines."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from alertd.notices.reports.truck_lines import TruckLine
from alertd.notices.text import phrases
from alertd.plan.model.stretches import Advice

MOVED: Final = timedelta(minutes=30)  # [A] a smaller shift of the first action does not change the office's day


@dataclass(frozen=True, slots=True, kw_only=True)
class BriefRow:
    """What a brief said of one trip. group: pass and direction; at: when its first action was due."""

    advice: Advice
    group: str
    at: datetime
    short_n: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BriefState:
    """What a brief said. made_at: when; rows by trip."""

    made_at: datetime
    rows: Mapping[str, BriefRow]


def state_of(lines: Iterable[TruckLine], now_utc: datetime) -> BriefState:
    """Return what the next brief is compared with."""
    rows = {x.trip_id: BriefRow(advice=x.advice, group=x.group, at=x.at, short_n=x.short_n) for x in lines}
    return BriefState(made_at=now_utc, rows=rows)


def change_lines(before: BriefState, lines: Iterable[TruckLine]) -> list[str]:
    """Return one line for each trip that asks for something else than before, worse first; then trips new and gone."""
    worse: list[str] = []
    other: list[str] = []
    added, left = [], dict(before.rows)
    for line in lines:
        was = left.pop(line.trip_id, None)
        if was is None:
            added.append(line)
            continue
        parts = _differences(was, line)
        if parts:
            is_worse = line.advice.rank > was.advice.rank or line.short_n > was.short_n
            (worse if is_worse else other).append(f"{line.trip_id} {line.driver or line.rig}: {'; '.join(parts)}")
    out = [*worse, *other]
    if added:
        asking = sum(x.advice.rank >= Advice.READY.rank for x in added)
        out.append(
            f"{len(added)} trip{'s' if len(added) != 1 else ''} not in that brief, {asking} with chains or a hold"
        )
    dropped = [trip for trip, row in left.items() if row.at >= before.made_at and row.advice.rank >= Advice.READY.rank]
    if dropped:
        more = f" and {len(dropped) - 6} more" if len(dropped) > 6 else ""
        out.append(f"no longer listed: {', '.join(dropped[:6])}{more}")
    return out


def _differences(was: BriefRow, now: TruckLine) -> list[str]:
    out = []
    if was.advice is not now.advice:
        where = f", {now.group}" if now.advice.rank >= Advice.SLOW.rank else ""
        out.append(f"{was.advice.value} → {now.advice.value}{where}")
    elif was.group != now.group:
        out.append(f"first action now at {now.group}, was at {was.group}")
    if was.short_n != now.short_n:
        out.append(f"chains short {was.short_n} → {now.short_n}")
    if abs(now.at - was.at) >= MOVED and now.advice.rank >= Advice.READY.rank:
        then = phrases.clock_on(was.at, now.zone, now.at).rsplit(" ", 1)[0]
        out.append(f"{then} → {phrases.clock_on(now.at, now.zone, was.at)}")
    return out
