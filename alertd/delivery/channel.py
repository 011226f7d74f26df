"""What passes between the outbox and the channels: a delivery as a value, and the duties of a channel."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Protocol, runtime_checkable

from alertd.errors import DeliveryError
from alertd.notices.channel_state import ChannelState


class OutgoingNotice(Protocol):
    """One notice on its way to one target. `attempt` counts from 1, this one included."""

    @property
    def id(self) -> int: ...
    @property
    def notice_id(self) -> str: ...
    @property
    def kind(self) -> str: ...
    @property
    def trip_id(self) -> str: ...
    @property
    def target(self) -> str: ...
    @property
    def text(self) -> str: ...
    @property
    def body(self) -> bytes: ...
    @property
    def created_at(self) -> datetime: ...
    @property
    def expires_at(self) -> datetime: ...
    @property
    def attempt(self) -> int: ...


class Channel(Protocol):
    """A way out. The same notice may come twice, always with the same id and the same bytes."""

    async def send(self, outgoing: OutgoingNotice, now_epoch_s: float) -> None:
        """Return when the other side has taken it. Raises DeliveryError otherwise."""


@runtime_checkable
class ClosableChannel(Protocol):
    """A channel that holds connections or threads."""

    async def aclose(self) -> None: ...


class ChannelGone(DeliveryError):
    """The target says that it wants nothing more. Nobody may call it again until a person has looked."""

    def __init__(self, channel: str, problem: str) -> None:
        super().__init__(channel, problem, permanent=True)


class NoticeRejected(DeliveryError):
    """The target takes others but not this one, as its answer says: too long, or of a kind that it does not read."""


class DeliveryQueue(Protocol):
    """What the dispatcher asks of the store. Any of it may raise StoreError."""

    def own_channels(self, targets: Iterable[str]) -> frozenset[str]: ...
    def due_channels(self, now: datetime) -> Sequence[str]: ...
    def waiting_channels(self) -> frozenset[str]: ...
    def claim_many(
        self, now: datetime, wanted: Mapping[str, int], lease_s: float, owner: str, expired_too: bool = True
    ) -> Mapping[str, Sequence[OutgoingNotice]]: ...
    def peek_due(self, now: datetime, target: str) -> Sequence[OutgoingNotice]: ...
    def channel_states(self) -> Mapping[str, ChannelState]: ...
    def mark_all_done(
        self, done: Mapping[int, datetime], states: Iterable[ChannelState] = (), overtaking: bool = False
    ) -> Sequence[OutgoingNotice]: ...

    # `channel`: what an attempt made of its channel, kept with the mark in one transaction.
    def mark_retry(
        self, delivery_id: int, at: datetime, next_try: datetime, note: str, channel: ChannelState | None = None
    ) -> None: ...
    def mark_parked(self, delivery_id: int, at: datetime, note: str, channel: ChannelState | None = None) -> None: ...
    def mark_expired(self, delivery_id: int, at: datetime, note: str, channel: ChannelState | None = None) -> None: ...
    def make_due_now(self, target: str, now: datetime, limit: int | None = None) -> int: ...
