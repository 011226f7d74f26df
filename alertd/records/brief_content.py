"""HTML and images of sent briefs, stored so that every delivery attempt sends the same bytes."""

import base64
import hashlib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from alertd.plan.serialize import canonical
from alertd.records.event_stream import EventStream, Retain
from alertd.store.rows import StoredEvent

if TYPE_CHECKING:
    from alertd.store.store import Store

_KIND: Final = "dress"


@dataclass(frozen=True, slots=True, kw_only=True)
class BriefImage:
    """A PNG of a brief. cid: its content id in the HTML."""

    cid: str
    filename: str
    png: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class BriefContent:
    """notice_hash: of the body of the brief's notice, see `notice_hash`."""

    notice_hash: str
    html: str
    images: tuple[BriefImage, ...]


def notice_hash(body: str | bytes) -> str:
    return hashlib.sha256(body.encode() if isinstance(body, str) else body).hexdigest()[:40]


def load_brief_content(store: "Store", notice_body: bytes) -> BriefContent | None:
    """The content of the brief with this notice body; None without one. Raises StoreError."""
    event = store.event(f"{_KIND}_{notice_hash(notice_body)}")
    return None if event is None else _parse(event)


def _dump(content: BriefContent) -> str:
    images = [{"cid": i.cid, "filename": i.filename, "png": base64.b64encode(i.png).decode()} for i in content.images]
    return canonical({"html": content.html, "pictures": images})


def _parse(event: StoredEvent) -> BriefContent:
    body = json.loads(event.body)
    images = tuple(
        BriefImage(cid=p["cid"], filename=p["filename"], png=base64.b64decode(p["png"])) for p in body["pictures"]
    )
    return BriefContent(notice_hash=event.id.removeprefix(f"{_KIND}_"), html=body["html"], images=images)


BRIEF_CONTENTS: Final = EventStream[BriefContent](
    kind=_KIND,
    id_of=lambda content, trip_id, at: f"{_KIND}_{content.notice_hash}",
    dump=_dump,
    parse=_parse,
    retain=Retain.TRIPS,
)
