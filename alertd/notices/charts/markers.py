"""Markers common to all charts of a plan: chain-on and chain-off places, breaks, road state runs."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np

from alertd.notices.charts.axis_units import AxisUnits
from alertd.notices.charts.palette import BY_LABEL, Style
from alertd.notices.text import phrases
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice, StopChoice

_HELD: Final = "hold below it"


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """`label` is drawn on the chart; `text` is beside it in the key and the alt text. strong: the plan relies on it."""

    label: str
    distance_m: float
    at: datetime
    text: str
    strong: bool


def markers_of(plan: Plan, units: AxisUnits) -> tuple[Marker, ...]:
    """Return markers in route order. "ON?" is where chains would go on if needed."""
    out = []
    for n, s in enumerate(plan.stretches, 1):
        sure = "" if s.advice.rank >= Advice.CHAIN.rank else "?"
        number = f" {n}" if len(plan.stretches) > 1 else ""
        held = f", {_HELD}" if s.advice is Advice.HOLD else ""
        tires = f", {s.hanging.singles_n} tires{held}"
        for word, stop, more in (("ON", s.chain_up, tires), ("OFF", s.chain_off, "")):
            text = f"{_stop(stop, units)}{more}"
            out.append(
                Marker(
                    label=f"{word}{sure}{number}",
                    distance_m=stop.distance_m,
                    at=stop.arrive_at,
                    text=text,
                    strong=not sure,
                )
            )
    for b in plan.hours.breaks if plan.hours else ():
        if b.at_m is not None:
            where = f"{b.stop_name or 'no listed stop'}, {units.distance(b.at_m)}, {b.minutes:.0f} min"
            text = f"{phrases.clock_time(b.due_at, plan.arrive_zone)} at the latest, {where}"
            out.append(Marker(label="BREAK", distance_m=b.at_m, at=b.due_at, text=text, strong=True))
    for x in plan.hours.limits if plan.hours else ():
        if x.reached_m is not None and x.reached_at is not None:
            text = (
                f"{phrases.clock_time(x.reached_at, plan.arrive_zone)}, {units.distance(x.reached_m)}, {x.kind} limit"
            )
            out.append(Marker(label="HOURS", distance_m=x.reached_m, at=x.reached_at, text=text, strong=True))
    if plan.position is not None:
        text = f"{phrases.clock_time(plan.position.at, plan.depart_zone)}, {units.distance(plan.position.distance_m)}"
        at_m = plan.position.distance_m
        out.append(Marker(label="SEEN", distance_m=at_m, at=plan.position.at, text=text, strong=True))
    return tuple(sorted(out, key=lambda m: m.distance_m))


def marker_rows(markers: Sequence[Marker]) -> list[tuple[str, str]]:
    """Return (label, text) of each marker."""
    return [(m.label, m.text) for m in markers]


def _stop(stop: StopChoice, units: AxisUnits) -> str:
    invented = ", invented place" if stop.invented else ""
    when = phrases.clock_time(stop.arrive_at, stop.zone)
    return f"{when}, {phrases.stop_words(stop)}, {units.distance(stop.distance_m)}{invented}"


def road_runs(plan: Plan) -> list[tuple[float, float, Style]]:
    """Return runs of one class (from [m], to [m], style).

    Each point of the plan covers the road halfway to its neighbours.
    """
    d = np.asarray(plan.along.distance_m)
    edges = np.concatenate((d[:1], 0.5 * (d[1:] + d[:-1]), [max(float(d[-1]), plan.route_length_m)]))
    names = np.asarray(plan.along.surface)
    starts = np.flatnonzero(np.append(True, names[1:] != names[:-1]))
    ends = np.append(starts[1:], names.size)
    return [(float(edges[a]), float(edges[b]), BY_LABEL[str(names[a])]) for a, b in zip(starts, ends, strict=True)]
