"""Joins posted controls with our estimate: a posted level is certain while it applies, and both start its forecast."""

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from alertd.plan.model.stretches import Posting
from alertd.plan.params import PlanParams
from alertd.plan.posted import CLOSED, NONE_POSTED, NOT_UNDERSTOOD, PostedSpan
from alertd.plan.road_ahead.chain_need import LawSpan
from alertd.plan.road_ahead.hourly_need import HourlyNeed, Index, level_chances, need_of
from alertd.plan.road_ahead.posting_state import Seeds
from alertd.rules.ruleset import ControlLevel
from alertd.units import HOUR_S

Array: TypeAlias = NDArray[np.float64]

MAJORITY: Final = 0.5  # more likely than not


@lru_cache(maxsize=8)
def with_posted(hourly_need: HourlyNeed, posted: tuple[PostedSpan, ...], params: PlanParams) -> HourlyNeed:
    """The hourly need with these posted controls.

    The posting state of a zone starts at 1 where a control is posted on it and at 0 where none is, at the hour of the
    last confirmation; see `_seeds`. Besides, a posted level has probability 1 where and while it is fully believed, and
    so have the milder levels that come with it. Stricter levels keep our estimate. A control whose words are not
    understood, or that no rule on file knows, gives "be ready"; words that are not understood give it for the strictest
    level of the law. A closure does not change the need.
    """
    seeds = _seeds(hourly_need, posted)
    posting = hourly_need.posting.reseeded(seeds) if seeds else hourly_need.posting
    chances = [x[2] for x in level_chances(hourly_need.sections, hourly_need.laws, posting, params)]
    own_chances = set()
    other = hourly_need.other_need.copy()
    for span in (s for s in posted if s.placed and s.control.level not in (CLOSED, NONE_POSTED)):
        touched = _sections(hourly_need, span)
        weight = weights(hourly_need, span).astype(np.float32)
        laws = [law for law in hourly_need.laws if law.at.start < touched.stop and law.at.stop > touched.start]
        own = [law for law in laws if level_of(law, span) is not None]
        for n, (law, for_rig, _) in enumerate(hourly_need.by_level):
            if law in own and comes_with(law, for_rig.level, span):
                part = slice(max(touched.start, law.at.start), min(touched.stop, law.at.stop))
                if n not in own_chances:
                    chances[n] = chances[n].copy()
                    own_chances.add(n)
                in_law = chances[n][:, part.start - law.at.start : part.stop - law.at.start]
                np.maximum(in_law, weight, out=in_law)
        if span.control.level == NOT_UNDERSTOOD:
            chances = _strictest_ready(hourly_need, laws, span, chances, weight, params)
        if not own:
            ready_frac = np.float32(max(params.unknown_probability, params.ready_probability))
            np.maximum(other[:, touched], ready_frac * weight, out=other[:, touched])
    by_level = tuple(
        (law, for_rig, chance) for (law, for_rig, _), chance in zip(hourly_need.by_level, chances, strict=True)
    )
    return replace(
        hourly_need,
        need=need_of(other, by_level),
        other_need=other,
        by_level=by_level,
        chance={id(for_rig): chance for _, for_rig, chance in by_level},
        posting=posting,
        posted=posted,
    )


def _strictest_ready(
    hourly_need: HourlyNeed,
    laws: Sequence[LawSpan],
    span: PostedSpan,
    chances: list[NDArray[np.float32]],
    weight: NDArray[np.float32],
    params: PlanParams,
) -> list[NDArray[np.float32]]:
    """The probabilities of levels with the strictest posted level of the control's law raised to "be ready"."""
    touched = _sections(hourly_need, span)
    ready_frac = np.float32(max(params.unknown_probability, params.ready_probability))
    raised = list(chances)
    for law in (x for x in laws if x.rules is not None and x.rules.jurisdiction == span.control.jurisdiction):
        of_law = [
            (for_rig.demand.tires_min, for_rig.level.rank, n)
            for n, (other, for_rig, _) in enumerate(hourly_need.by_level)
            if other is law and for_rig.level.trigger == "posted" and not for_rig.demand.barred
        ]
        if of_law:
            n = max(of_law)[2]
            part = slice(max(touched.start, law.at.start), min(touched.stop, law.at.stop))
            raised[n] = raised[n].copy()
            in_law = raised[n][:, part.start - law.at.start : part.stop - law.at.start]
            np.maximum(in_law, ready_frac * weight, out=in_law)
    return raised


def _seeds(hourly_need: HourlyNeed, posted: Sequence[PostedSpan]) -> Seeds:
    """What the controls say of the zones' posting states, at the hour of each control's last confirmation.

    A posted level sets every zone that it touches to 1. "None posted" sets a zone to 0 where it covers most of it [A];
    from the next hour on the weather decides again. Of several at one hour a posted level wins. What is not placed or
    not understood sets nothing.
    """
    known: dict[tuple[int, int], float] = {}
    zones, sections = hourly_need.posting.zones, hourly_need.sections
    field = hourly_need.corridor.field
    for span in (s for s in posted if s.placed and s.control.level != CLOSED):
        touched = _sections(hourly_need, span)
        none = span.control.level == NONE_POSTED
        if not none and not any(level_of(law, span) for law in hourly_need.laws):
            continue
        at_epoch_s = max(span.control.confirmed_at.timestamp(), span.from_epoch_s)
        hour = max(round((at_epoch_s - field.first_epoch_s) / HOUR_S), 0)
        if hour >= field.road_class.shape[2]:
            continue
        for zone in np.unique(zones.zone_of[touched]).tolist():
            inside = np.flatnonzero(zones.zone_of == zone)
            length_m = sections.length_m[inside]
            covered_m = length_m[(inside >= touched.start) & (inside < touched.stop)].sum()
            if none and covered_m < 0.5 * length_m.sum():
                continue
            known[zone, hour] = max(known.get((zone, hour), 0.0), 0.0 if none else 1.0)
    return tuple((zone, hour, state) for (zone, hour), state in sorted(known.items(), key=lambda x: x[0][1]))


def weights(hourly_need: HourlyNeed, span: PostedSpan) -> Array:
    """Belief in a control at every hour of an hourly need, (hour + 1,), 0 to 1.

    Each hour represents the half hour on either side. The unknown hour takes the value of the last known one.
    """
    at: Array = hourly_need.first_epoch_s + HOUR_S * np.arange(hourly_need.hours, dtype=np.float64)
    weight = span.weight(at - HOUR_S / 2, at + HOUR_S / 2)
    return np.append(weight, weight[-1:] if weight.size else 1.0)


def level_of(law: LawSpan, span: PostedSpan) -> ControlLevel | None:
    """The posted level of this law, or None when it is not a level of this law."""
    c, rules = span.control, law.rules
    if rules is None or rules.jurisdiction != c.jurisdiction:
        return None
    return next((level for level in rules.levels if level.id == c.level), None)


def comes_with(law: LawSpan, level: ControlLevel, span: PostedSpan) -> bool:
    """True for a level that applies where this control is posted: that level, and milder signs of the same road."""
    posted = level_of(law, span)
    if posted is None or level.rank > posted.rank:
        return False
    if level.id == posted.id:
        return True
    return level.trigger == "posted" and (not level.zones or _may_lie(law, level, span))


def _may_lie(law: LawSpan, level: ControlLevel, span: PostedSpan) -> bool:
    if law.rules is None or not all(law.rules.zone(z).placed for z in level.zones):
        return True
    along = [s for z in level.zones for s in law.zone_spans.get(z, ())]
    return any(start_m <= span.end_m and end_m >= span.start_m for start_m, end_m in along)


def _sections(hourly_need: HourlyNeed, span: PostedSpan) -> slice:
    """The sections that a control touches; an empty slice where all of it is behind the truck."""
    s = hourly_need.sections
    return slice(
        int(np.searchsorted(s.end_m, span.start_m, side="left")),
        int(np.searchsorted(s.start_m, span.end_m, side="right")),
    )


def belief_frac(hourly_need: HourlyNeed, hour: Index, span: PostedSpan, within: slice | None = None) -> float:
    """Belief in a control when the truck meets it: the maximum along it, averaged over members.

    hour: (member, section) index into the hourly need.
    within: count only these sections.

    0 where the control is behind the truck.
    """
    touched = _sections(hourly_need, span)
    if within is not None:
        touched = slice(max(touched.start, within.start), min(touched.stop, within.stop))
    if touched.stop <= touched.start:
        return 0.0
    return float(weights(hourly_need, span)[hour[:, touched]].max(axis=1).mean())


def as_posted(postings: Sequence[Posting], hourly_need: HourlyNeed, hour: Index, within: slice) -> tuple[Posting, ...]:
    """The postings of a leg; those that apply when the truck meets them get their authority and start time."""
    if not hourly_need.posted:
        return tuple(postings)
    return tuple(_marked(p, hourly_need, hour, within) for p in postings)


def _marked(p: Posting, hourly_need: HourlyNeed, hour: Index, within: slice) -> Posting:
    applying = []
    for law, for_rig, _ in hourly_need.by_level:
        if (law.span.code, for_rig.level.id) != (p.jurisdiction, p.level_id):
            continue
        applying += [
            s
            for s in hourly_need.posted
            if comes_with(law, for_rig.level, s) and belief_frac(hourly_need, hour, s, within) > MAJORITY
        ]
    if not applying:
        return p
    own = min(applying, key=lambda s: (s.control.level != p.level_id, s.start_m, s.control.source))
    c = own.control
    return replace(p, posted=True, posted_level=c.level, posted_by=c.source, posted_since=c.since)


def not_understood(hourly_need: HourlyNeed, hour: Index, within: slice) -> tuple[str, ...]:
    """Posted controls on these sections that were not understood, in words. They only give "be ready"."""
    laws = [law for law in hourly_need.laws if law.at.start < within.stop and law.at.stop > within.start]
    texts = [
        f"Posted by {s.control.source}, words not understood: '{s.control.words}'"
        for s in hourly_need.posted
        if s.placed
        and s.control.level not in (CLOSED, NONE_POSTED)
        and not any(level_of(law, s) for law in laws)
        and belief_frac(hourly_need, hour, s, within) > 0.0
    ]
    return tuple(dict.fromkeys(texts))


def carried_for(law: LawSpan, active: Sequence[PostedSpan]) -> tuple[str, ...]:
    """Ids of the levels of a law that posted signs on it represent, milder ones included."""
    on_law = [s for s in active if s.start_m <= law.span.end_m and s.end_m >= law.span.start_m]
    levels = law.rules.levels if law.rules is not None else ()
    return tuple(level.id for level in levels if any(comes_with(law, level, s) for s in on_law))
