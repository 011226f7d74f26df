"""The posting number of one place, hour by hour in one member, so that a reader can compute it again by hand."""

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from alertd.plan.road_ahead.chain_need import LawSpan, LevelForRig, tables_along
from alertd.plan.road_ahead.hourly_need import HourlyNeed
from alertd.rules.posting.estimate import ZonePavement, ordinary_probability
from alertd.rules.posting.hazard import HABIT_FACTOR, ORDINARY_STATE, level_share, off_rate, on_rate, run_state
from alertd.rules.rig import IdentityKey
from alertd.units import HOUR_S

HOURS_BEFORE = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class PostingHour:
    """One hour of a zone in one member; see `rules.posting.hazard` for each value.

    on_per_h, off_per_h: rates of posting and lifting for a zone of ordinary habit.
    state_rare, state_usual, state_often: probability that a control is posted, for the three habits of a zone.
    state: their mean with weights 1, 4 and 1.
    known: what is posted at this hour as reported, 1 or 0; None where nothing is reported.
    """

    at: datetime
    snowfall_mmwe_h: float
    uncleared_mmwe: float
    day_mmwe: float
    wind_mps: float
    glaze: bool
    ice: bool
    on_per_h: float
    off_per_h: float
    state_rare: float
    state_usual: float
    state_often: float
    state: float
    closed: float
    known: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelShare:
    """A level in the same member and hour.

    ordinary_frac: its probability in ordinary snow on this pavement, by the rule file; 0 on pavement without one.
    odds_factor: factor on the odds for the severity of the storm.
    share_frac: its share once anything is posted.
    chance_frac: its probability at the place: state times share where a control of the zone lies.
    """

    jurisdiction: str
    level_id: str
    ordinary_frac: float
    odds_factor: float
    share_frac: float
    chance_frac: float
    by_road: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PostingAtPlace:
    """The control zone of a place, and its state up to the hour of passing in the member nearest to the middle.

    rise_m: of a pass, 0 between passes.
    covered: True where a control of the zone lies at the place in that hour.
    covered_frac: share of members in which it does.
    """

    start_m: float
    end_m: float
    is_pass: bool
    rise_m: float
    member: int
    covered: bool
    covered_frac: float
    hours: tuple[PostingHour, ...]
    levels: tuple[LevelShare, ...]


def posting_at(hourly_need: HourlyNeed, section: int, field_hour: np.ndarray) -> PostingAtPlace:
    """The posting of one section for a truck that passes it in these hours of the field, (member,)."""
    posting = hourly_need.posting
    zone = int(posting.zones.zone_of[section])
    members = np.arange(hourly_need.members)
    state = posting.state[members, zone, field_hour]
    member = int(np.argsort(state, kind="stable")[members.size // 2])
    hour = int(field_hour[member])
    of_zone = posting.zones.zones[zone]
    covered = posting.covered[members, section, field_hour - posting.skip_h]
    here = [(law, x, chance) for law, x, chance in hourly_need.by_level if law.at.start <= section < law.at.stop]
    return PostingAtPlace(
        start_m=of_zone.start_m,
        end_m=of_zone.end_m,
        is_pass=of_zone.is_pass,
        rise_m=of_zone.rise_m,
        member=member,
        covered=bool(covered[member]),
        covered_frac=float(covered.mean()),
        hours=_hours(hourly_need, member, zone, hour),
        levels=tuple(
            _share(hourly_need, law, x, float(chance[member, section - law.at.start, hour - posting.skip_h]), at)
            for law, x, chance in here
            for at in ((member, zone, hour, section),)
        ),
    )


def _hours(hourly_need: HourlyNeed, member: int, zone: int, hour: int) -> tuple[PostingHour, ...]:
    posting = hourly_need.posting
    w = posting.weather
    on = on_rate(w, posting.zones.rise_m)[member : member + 1, zone : zone + 1]
    off = off_rate(w)[member : member + 1, zone : zone + 1]
    seeds = tuple((0, h, p) for z, h, p in posting.seeds if z == zone)
    rare, usual, often = (run_state(on * factor, off, seeds)[0, 0] for factor in HABIT_FACTOR)
    first_epoch_s = hourly_need.corridor.field.first_epoch_s

    def one(values: np.ndarray, h: int) -> float:
        return float(values[member, zone, h])

    return tuple(
        PostingHour(
            at=datetime.fromtimestamp(first_epoch_s + h * HOUR_S, UTC),
            snowfall_mmwe_h=one(w.snowfall_mmwe_h, h),
            uncleared_mmwe=one(w.uncleared_mmwe, h),
            day_mmwe=one(w.day_mmwe, h),
            wind_mps=one(w.wind_mps, h),
            glaze=one(w.glaze, h) > 0.0,
            ice=one(w.ice, h) > 0.0,
            on_per_h=float(on[0, 0, h]),
            off_per_h=float(off[0, 0, h]),
            state_rare=float(rare[h]),
            state_usual=float(usual[h]),
            state_often=float(often[h]),
            state=one(posting.state, h),
            closed=one(posting.closed_state, h),
            known=next((p for _, at, p in seeds if at == h), None),
        )
        for h in range(max(hour - HOURS_BEFORE, 0), hour + 1)
    )


def _share(
    hourly_need: HourlyNeed, law: LawSpan, x: LevelForRig, chance: float, at: tuple[int, int, int, int]
) -> LevelShare:
    member, zone, hour, section = at
    posting, by_road = hourly_need.posting, x.level.trigger == "road"
    ordinary, factor = 0.0, float(posting.odds_factor[member, zone, hour])
    if law.rules is not None:
        tables = tables_along(hourly_need.sections, IdentityKey(law.rules), x.level.id, posting.params)
        one = np.s_[member : member + 1, zone : zone + 1, hour : hour + 1]
        pavement = ZonePavement(
            **{name: getattr(posting.pavement, name)[one] for name in ZonePavement.__dataclass_fields__}
        )
        ordinary = float(ordinary_probability([t for t in tables if t.holds[section]], pavement)[0, 0, 0])
    return LevelShare(
        jurisdiction=law.span.code,
        level_id=x.level.id,
        ordinary_frac=min(ordinary, 1.0 if by_road else ORDINARY_STATE),
        odds_factor=max(factor, 1.0) if by_road else factor,
        share_frac=float(level_share(ordinary, factor)),
        chance_frac=chance,
        by_road=by_road,
    )
