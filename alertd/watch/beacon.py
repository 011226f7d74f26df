"""The beacon: a small signed file that the daemon writes after each good cycle, for a watch on another machine."""

import hmac
import json
from collections.abc import Iterable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, ValidationError

from alertd.delivery.standard_webhooks import sign
from alertd.errors import InputError
from alertd.plan.model.plan import Plan
from alertd.plan.serialize import canonical
from alertd.sources.files.zones import write_atomic

FORMAT: Final = "alertd.beacon/1"
MAX_BYTES: Final = 8_000_000  # 20,000 trips of 400 bytes


class BeaconTrip(BaseModel):
    """A trip that is planned or under way, as far as a watch needs it. `until`: its latest arrival."""

    model_config = ConfigDict(extra="ignore", frozen=True)

    trip_id: str
    plan_id: str
    driver: str
    dispatcher: str
    language: str
    lands: tuple[str, ...]
    zone: str
    depart_at: AwareDatetime
    until: AwareDatetime


class Beacon(BaseModel):
    """What the daemon last did. `next_by`: without a newer beacon at this time, the daemon is silent."""

    model_config = ConfigDict(extra="ignore", frozen=True)

    format: Literal["alertd.beacon/1"] = FORMAT
    fleet: str
    zone: str
    written_at: AwareDatetime
    next_by: AwareDatetime
    trips: tuple[BeaconTrip, ...]


def beacon_of(fleet: str, zone: str, plans: Iterable[Plan], now_utc: datetime, period: timedelta) -> Beacon:
    """Return the beacon of the trips that have not arrived. period: longest time to the next beacon."""
    trips = tuple(
        BeaconTrip(
            trip_id=plan.trip_id,
            plan_id=plan.id,
            driver=plan.driver,
            dispatcher=plan.dispatcher,
            language=plan.language,
            lands=tuple(plan.lands),
            zone=plan.depart_zone,
            depart_at=plan.depart_at,
            until=plan.arrive_late,
        )
        for plan in plans
        if plan.arrive_late > now_utc
    )
    return Beacon(fleet=fleet, zone=zone, written_at=now_utc, next_by=now_utc + period, trips=trips)


def encode(beacon: Beacon, key: bytes) -> dict[str, str]:
    """Return the beacon as a signed JSON object: its text and the HMAC-SHA256, as in a webhook's signature."""
    text = canonical(beacon.model_dump(mode="json"))
    return {"beacon": text, "signature": _signature(text, key)}


def write_beacon(path: Path, beacon: Beacon, key: bytes) -> None:
    """Replace the beacon file in one step. Raises InputError when it cannot be written."""
    write_atomic(path, encode(beacon, key))


def decode(content: bytes, key: bytes, where: str) -> Beacon:
    """Return a beacon from `encode`. Raises InputError when it is not one, or not signed with `key`."""
    hint = "let [watch] name the same secret_file on both machines, and the file that the daemon writes"
    try:
        outer = json.loads(content)
        text, signature = outer["beacon"], outer["signature"]
        if not hmac.compare_digest(_signature(text, key).encode(), str(signature).encode()):
            raise InputError(where, "signature", "is not made with this secret", hint)
        return Beacon.model_validate_json(text)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, ValidationError) as exc:
        raise InputError(where, "", "is no beacon of alertd", hint) from exc


def _signature(text: str, key: bytes) -> str:
    return sign(key, FORMAT, 0, text.encode())
