"""CAP alerts published per trip, so that an alert after a restart references those that it replaces."""

import hashlib
from dataclasses import asdict, dataclass
from typing import Any, Final

from alertd.plan.serialize import canonical
from alertd.records.event_stream import EventStream, Retain, from_json

_KIND: Final = "alert"


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertReference:
    """One published alert. sent: ISO time. taken_back: it cancelled the earlier one. earlier: the one it replaced."""

    identifier: str
    sender: str
    sent: str
    taken_back: bool
    earlier: "AlertReference | None" = None


def _id(alert: AlertReference, trip_id: str) -> str:
    return f"{_KIND}_{hashlib.sha256(f'{trip_id} {alert.identifier}'.encode()).hexdigest()[:32]}"


def _parse(body: dict[str, Any], where: str) -> AlertReference:
    earlier = body["earlier"]
    return AlertReference(
        identifier=body["identifier"],
        sender=body["sender"],
        sent=body["sent"],
        taken_back=body["taken_back"],
        earlier=None if earlier is None else _parse(earlier, where),
    )


PUBLISHED_ALERTS: Final = EventStream[AlertReference](
    kind=_KIND,
    id_of=lambda alert, trip_id, at: _id(alert, trip_id),
    dump=lambda alert: canonical(asdict(alert)),
    parse=from_json(_parse),
    retain=Retain.POSITIONS,
)
