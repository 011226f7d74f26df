"""What the board's map shows: where each truck is now, posted signs and closed roads."""

from collections.abc import Iterable, Sequence
from datetime import datetime

import numpy as np

from alertd.notices.charts.fleet_map import Mark, OnMap
from alertd.plan.model.plan import Plan
from alertd.plan.posted import NONE_POSTED
from alertd.route.model import Route
from alertd.sources.requests.closures import ClosureRequest


def on_map(plan: Plan, route: Route, now_utc: datetime) -> OnMap:
    """The plan where its truck is now, by its last position and the plan's times from there."""
    along = plan.along
    at_m = np.interp((now_utc - along.begins_at).total_seconds(), along.reach_s, along.distance_m)
    return OnMap(plan=plan, route=route, at_m=float(at_m))


def map_marks(fleet: Sequence[OnMap], closures: Iterable[ClosureRequest]) -> tuple[Mark, ...]:
    """Each posted sign and closed road once: those on the trips' ways, then the reported closures on no trip's way."""
    found: dict[str, Mark] = {}
    for x in fleet:
        for sign in x.plan.posted:
            if sign.start_m is not None and sign.end_m is not None and sign.level_id != NONE_POSTED:
                words = ", ".join(filter(None, (sign.legal_name or sign.words or "sign", sign.where)))
                letter = "X" if sign.level_id == "closed" else "!"
                found.setdefault(words, _mark(x.route, 0.5 * (sign.start_m + sign.end_m), letter, words))
        for closed in x.plan.closures:
            if closed.posted:
                middle_m = 0.5 * (closed.start_m + closed.end_m)
                found.setdefault(closed.what, _mark(x.route, middle_m, "X", closed.what))
    for request in closures:
        core = request.to_core()
        lat, lon = (0.5 * (a + b) for a, b in zip(core.start, core.end, strict=True))
        found.setdefault(request.what, Mark(lat_deg=lat, lon_deg=lon, letter="X", words=request.what))
    return tuple(found.values())


def _mark(route: Route, at_m: float, letter: str, words: str) -> Mark:
    lat, lon = (float(np.interp(at_m, route.distance_m, column)) for column in (route.lat_deg, route.lon_deg))
    return Mark(lat_deg=lat, lon_deg=lon, letter=letter, words=words)
