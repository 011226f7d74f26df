"""Collects from stored plans what was estimated of a posting before it was known, and what was posted then."""

import json
import logging
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

from alertd.plan.posted import CLOSED, NONE_POSTED, NOT_UNDERSTOOD
from alertd.rules.posting.fit import PostingRecord
from alertd.units import to_miles

if TYPE_CHECKING:
    from alertd.store.store import Store

log = logging.getLogger(__name__)

BEFORE: Final = timedelta(hours=3)  # an estimate is made at least this long before the truck is there; a finding, less
BELIEVED_FRAC: Final = 0.5  # a control that is believed less has probably ended


def posting_records(store: "Store", since: datetime, until: datetime) -> list[PostingRecord]:
    """One record for each trip, stretch and level of the plans made in [since, until).

    Left out are levels that were already posted when they were estimated, and those of which nothing was reported at
    the hour of the truck: no report does not prove that nothing was posted.
    """
    plans: dict[str, list[dict[str, Any]]] = defaultdict(list)
    newest: dict[tuple[str, int], str] = {}
    for id_, trip_id, made_at in store.plans_made(since, until):  # the last of each hour
        newest[trip_id, int(made_at.timestamp() // 3600)] = id_
    for stored in sorted(store.stored_plans.read(newest.values()), key=lambda s: s.made_at):
        plans[stored.trip_id].append(json.loads(stored.body)["plan"])
    out: list[PostingRecord] = []
    for of_trip in plans.values():
        try:
            out += records_of(of_trip)
        except (KeyError, TypeError, ValueError) as exc:  # stored by another version in another form
            log.warning("the plans of a trip give no records of postings: %s", type(exc).__name__)
    return out


def records_of(plans: Sequence[Mapping[str, Any]]) -> list[PostingRecord]:
    """The records of the stored plans of one trip, oldest first.

    Raises KeyError, TypeError or ValueError for another form.
    """
    latest: dict[tuple[str, str], PostingRecord] = {}
    for plan in plans:
        made_at = datetime.fromisoformat(plan["made_at"])
        for stretch in plan["stretches"]:
            enter_at = datetime.fromisoformat(stretch["enter_at"])
            if enter_at - made_at < BEFORE or any(_is_here(c, stretch) for c in plan["posted"]):
                continue
            found = [
                c
                for other in plans
                if abs(enter_at - datetime.fromisoformat(other["made_at"])) < BEFORE
                for c in other["posted"]
                if _is_here(c, stretch)
            ]
            for posting in stretch["postings"]:
                posted = _outcome(found, posting)
                if posted is None or posting["posted"]:
                    continue
                zone = zone_name(posting["jurisdiction"], stretch, plan["route_name"])
                latest[zone, posting["level_id"]] = PostingRecord(
                    zone=zone,
                    level=f"{posting['jurisdiction']} {posting['level_id']}",
                    day=enter_at.astimezone(ZoneInfo(stretch["zone"])).date().isoformat(),
                    probability=float(posting["probability"]),
                    posted=posted,
                )
    return list(latest.values())


def zone_name(jurisdiction: str, stretch: Mapping[str, Any], route_name: str) -> str:
    """The land and the pass of a stretch, or its route and mile to the next ten where it has no pass."""
    mile = round(to_miles(float(stretch["start_m"])), -1)
    return f"{jurisdiction} {stretch['place'] or f'{route_name} mile {mile:.0f}'}"


def _is_here(control: Mapping[str, Any], stretch: Mapping[str, Any]) -> bool:
    if control["start_m"] is None or control["believed_frac"] < BELIEVED_FRAC:
        return False
    return bool(control["start_m"] <= stretch["end_m"] and control["end_m"] >= stretch["start_m"])


def _outcome(found: Sequence[Mapping[str, Any]], posting: Mapping[str, Any]) -> bool | None:
    """True where this level was posted, False for "none"; None for nothing, another level, or a closed road."""
    levels = set(_levels(found, posting["jurisdiction"]))
    if posting["level_id"] in levels:
        return True
    return False if levels == {NONE_POSTED} else None


def _levels(found: Sequence[Mapping[str, Any]], jurisdiction: str) -> Iterator[str]:
    for control in found:
        if control["jurisdiction"] == jurisdiction and control["level_id"] not in (CLOSED, NOT_UNDERSTOOD):
            yield control["level_id"]
