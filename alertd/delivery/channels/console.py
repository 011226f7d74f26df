"""Notices on the terminal: for trying alertd out."""

import asyncio
import sys
from typing import Final, TextIO

from alertd.delivery.channel import OutgoingNotice
from alertd.delivery.channel_spec import ChannelModel, ChannelSpec
from alertd.errors import DeliveryError


class ConsoleChannel:
    """Writes each notice to a text stream, whole: a line that names it, then its words."""

    def __init__(self, name: str, stream: TextIO) -> None:
        self._name, self._stream = name, stream

    async def send(self, outgoing: OutgoingNotice, now_epoch_s: float) -> None:
        """Raises DeliveryError when the stream takes no more."""
        try:
            await asyncio.to_thread(self._write, outgoing)
        except (OSError, ValueError) as exc:  # ValueError: the stream is closed
            raise DeliveryError(self._name, f"cannot be written to ({exc})") from exc

    def _write(self, outgoing: OutgoingNotice) -> None:
        words = "".join(letter if letter.isprintable() or letter == "\n" else " " for letter in outgoing.text)
        trip = f", trip {outgoing.trip_id}" if outgoing.trip_id else ""
        self._stream.write(f"--- {self._name}: {outgoing.kind}{trip}, {outgoing.notice_id}\n{words.rstrip()}\n")
        self._stream.flush()


class ConsoleFile(ChannelModel):
    """The section [[console]]."""


SPEC: Final = ChannelSpec(
    section="console",
    settings_model=ConsoleFile,
    open=lambda config, _tools: ConsoleChannel(config.name, sys.stdout),
    here_only=True,
)
