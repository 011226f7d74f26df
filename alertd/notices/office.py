"""A notice to the dispatcher that is about no one plan: a trip not planned, data missing, a way out that fails."""

from datetime import datetime, timedelta

from alertd.notices.event import FORMAT
from alertd.notices.notice import Audience, Notice, NoticeKind, notice_id
from alertd.plan.record import canonical, to_plain
from alertd.plan.result import POSTED_SIGNS_DECIDE


def office_notice(
    event_type: str, said: tuple[str, ...], text: str, of_use: timedelta, now_utc: datetime, **data: object
) -> Notice:
    """The same `said` is the same notice. data: what the event's body tells besides, by name."""
    trip_id = str(data.get("trip_id", ""))
    id_ = notice_id(NoticeKind.DATA, Audience.DISPATCHER, *said)
    told = {"notice_id": id_, "kind": NoticeKind.DATA.value, "authority": POSTED_SIGNS_DECIDE, **data, "text": text}
    body = {"type": event_type, "format": FORMAT, "timestamp": to_plain(now_utc), "data": told}
    return Notice(
        id=id_,
        kind=NoticeKind.DATA,
        audience=Audience.DISPATCHER,
        trip_id=trip_id,
        plan_id="",
        created_at=now_utc,
        expires_at=now_utc + of_use,
        text=text,
        body=canonical(body),
    )
