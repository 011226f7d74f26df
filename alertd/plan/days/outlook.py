"""Passes beyond the good forecast as odds with a range of hours, from the same members; no place and minute.

Inside 48 h a plan names places and minutes. Beyond, the hours of a storm are known less and less well: the odds are
those of all hours in a range around the planned one. The range widens with the lead as the hour of a change does in the
members, `forecast.ensemble.Spreads.onset_sd_h`. The members' own spread of temperature ends its growth at 72 h, so the
odds also draw near to a fixed base [A]. No record of our own odds at these leads is on file to calibrate them by; the
words hold for frost at 48 h against observations, see the tests.
"""

from collections.abc import Sequence
from datetime import UTC, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from alertd.forecast.ensemble import Spreads
from alertd.plan.chain_up.solution import Solution
from alertd.plan.describe.stretches import place_of
from alertd.plan.model.days import OutlookNote
from alertd.plan.model.stretches import Stretch
from alertd.plan.params import PlanParams
from alertd.route.model import zone_at
from alertd.route.passes import passes_of
from alertd.units import HOUR_S

GOOD_H: Final = 48.0
SPREADS: Final = Spreads()  # half the range is one standard deviation: 2.9 h at 48 h, 5.3 h at four days
BASE_ODDS: Final = 0.2  # what odds draw near to, by a quarter at four days and by half at most
BASE_AFTER_H: Final = 192.0
DECIDED_AT: Final = time(18, 0)  # the evening before
LIKELY, POSSIBLE, UNLIKELY, NOT_KNOWN = "likely", "possible", "unlikely", "not known"


def is_beyond(at: datetime, known_at: datetime) -> bool:
    """True for a time beyond the good forecast. Times are aware."""
    return at - known_at > timedelta(hours=GOOD_H)


def outlook_notes(
    run: Solution, stretches: Sequence[Stretch], leave_at: datetime, known_at: datetime, params: PlanParams
) -> tuple[OutlookNote, ...]:
    """A note for each pass, and each of these stretches off the passes, that is reached beyond the good forecast.

    known_at: time of the forecast. stretches: all of the plan.
    """
    route = run.sections.route
    here_m = float(route.distance_m[0])
    spans = [p for p in passes_of(route, params.pass_grade, params.pass_rise_m, params.pass_top_m) if p[1] > here_m]
    spans += [
        (x.start_m, x.end_m) for x in stretches if not any(a <= x.end_m and x.start_m <= b for a, b in tuple(spans))
    ]
    notes = [_note(run, max(a, here_m), b, stretches, (leave_at, known_at)) for a, b in sorted(spans)]
    return tuple(x for x in notes if x is not None and (x.place or x.odds != UNLIKELY))


def _note(
    run: Solution, start_m: float, end_m: float, stretches: Sequence[Stretch], times: tuple[datetime, datetime]
) -> OutlookNote | None:
    (leave_at, known_at), sections = times, run.sections
    enter_at = leave_at + timedelta(seconds=round(float(run.reach_s(start_m))))
    if not is_beyond(enter_at, known_at):
        return None
    lead_h = (enter_at - known_at) / timedelta(hours=1)
    half = timedelta(hours=float(SPREADS.onset_sd_h(np.asarray(lead_h))))
    leave_pass = leave_at + timedelta(seconds=round(float(run.reach_s(end_m))))
    earliest, latest = _whole_hour(enter_at - half), _whole_hour(leave_pass + half + timedelta(minutes=59))
    here = slice(int(sections.at(start_m)), int(sections.at(end_m)) + 1)
    odds = _odds(run, here, earliest.timestamp(), latest.timestamp(), lead_h)
    at = int(sections.first[here.start])
    zone = zone_at(float(sections.route.lat_deg[at]), float(sections.route.lon_deg[at]))
    evening = datetime.combine(
        earliest.astimezone(ZoneInfo(zone)).date() - timedelta(days=1), DECIDED_AT, ZoneInfo(zone)
    )
    spans = sections.route.jurisdictions
    lands = dict.fromkeys(x.code for x in spans if x.code and x.start_m <= end_m and x.end_m >= start_m)
    return OutlookNote(
        place=place_of(sections.route, start_m, end_m),
        start_m=start_m,
        end_m=end_m,
        zone=zone,
        lands=tuple(lands),
        odds=odds_word(odds),
        probability=odds,
        earliest_at=earliest.astimezone(UTC),
        latest_at=latest.astimezone(UTC),
        singles=max((x.hanging.singles_n for x in stretches if x.start_m <= end_m and x.end_m >= start_m), default=0),
        decided_at=evening.astimezone(UTC),
    )


def _whole_hour(at: datetime) -> datetime:
    return at.replace(minute=0, second=0, microsecond=0)


def _odds(run: Solution, here: slice, first_epoch_s: float, last_epoch_s: float, lead_h: float) -> float | None:
    """Share of members and hours of a range in which any point needs chains; None where the forecast ends before."""
    need = run.encounter.hourly_need
    first, last = (int((at - need.first_epoch_s) // HOUR_S) for at in (first_epoch_s, last_epoch_s))
    hours = np.arange(max(first, 0), last + 1)
    if not hours.size or (hours >= need.hours).any():
        return None
    if (need.code[:, here, hours] == 0).any(axis=(0, 1)).mean() > 0.5:
        return None
    share = float(need.need[:, here, hours].max(axis=1).mean(dtype=np.float64))
    drawn = min((lead_h - GOOD_H) / BASE_AFTER_H, 0.5)
    return (1.0 - drawn) * share + drawn * BASE_ODDS


def odds_word(odds: float | None) -> str:
    """The word for odds that chains are needed: likely from one in two, possible from 15 in 100."""
    if odds is None:
        return NOT_KNOWN
    return LIKELY if odds >= 0.5 else POSSIBLE if odds >= 0.15 else UNLIKELY


def forecast_end(run: Solution, leave_at: datetime) -> tuple[datetime, float] | None:
    """When the forecast ends, and where the truck is then; None where it has arrived by then."""
    need, route = run.encounter.hourly_need, run.sections.route
    known = np.flatnonzero((need.code[:, :, : need.hours] != 0).any(axis=(0, 1)))
    hours = int(known[-1]) + 1 if known.size else 0
    ends_epoch_s = need.first_epoch_s + hours * HOUR_S
    at_m = route.distance_m
    late = np.flatnonzero(leave_at.timestamp() + run.reach_s(at_m) > ends_epoch_s)
    return (datetime.fromtimestamp(ends_epoch_s, UTC), float(at_m[late[0]])) if late.size else None
