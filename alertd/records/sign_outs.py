"""Sessions of the board that ended by signing out, so that a copied cookie opens nothing afterwards."""

from datetime import datetime
from typing import TYPE_CHECKING, Final

from alertd.records.event_stream import EventStream, Retain, digest_id

if TYPE_CHECKING:
    from alertd.store.store import Store

_KIND: Final = "signed_out"
SIGN_OUTS: Final = EventStream[str](
    kind=_KIND,
    id_of=lambda digest, trip_id, at: digest,
    dump=lambda digest: "{}",
    parse=lambda event: event.id,
    retain=Retain.POSITIONS,  # days; a session lasts hours
)


def save_sign_out(store: "Store", session: str, now_utc: datetime) -> None:
    """Record that a session, by its cookie's value, ended. Only a digest is stored. Raises StoreError."""
    SIGN_OUTS.save(store, _digest(session), now_utc)


def has_signed_out(store: "Store", session: str) -> bool:
    """Whether a session ended by signing out. Raises StoreError."""
    return store.event(_digest(session)) is not None


def _digest(session: str) -> str:
    return digest_id(_KIND, session)
