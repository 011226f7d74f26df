"""Notices as text files in a folder: for trials, and as a spool that another program picks up."""

import asyncio
import os
import re
from pathlib import Path
from typing import Final

from pydantic import Field

from alertd.delivery.channel import OutgoingNotice
from alertd.delivery.channel_spec import ChannelModel, ChannelSpec
from alertd.errors import DeliveryError

_FILE_SAFE = re.compile(r"[A-Za-z0-9_-]{1,120}")


class FileChannel:
    """Each notice becomes `<notice id>.txt`, whole or not at all; the same notice again is the same file."""

    def __init__(self, name: str, folder: Path) -> None:
        self._name, self._folder = name, folder

    async def send(self, outgoing: OutgoingNotice, now_epoch_s: float) -> None:
        """Raises DeliveryError when the file cannot be written, or the id would not make a file name."""
        if not _FILE_SAFE.fullmatch(outgoing.notice_id):
            raise DeliveryError(self._name, f"the notice id {outgoing.notice_id!r} is no file name", permanent=True)
        try:
            await asyncio.to_thread(self._write, outgoing)
        except OSError as exc:
            raise DeliveryError(self._name, f"{self._folder} cannot be written: {exc.strerror or exc}") from exc

    def _write(self, outgoing: OutgoingNotice) -> None:
        self._folder.mkdir(parents=True, exist_ok=True)
        final = self._folder / f"{outgoing.notice_id}.txt"
        part = final.with_suffix(".part")
        with part.open("w", encoding="utf-8", newline="\n") as file:
            file.write(outgoing.text.rstrip("\n") + "\n")
            file.flush()
            os.fsync(file.fileno())
        part.replace(final)


class FolderFile(ChannelModel):
    """The section [[folder]]."""

    path: str = Field(examples=["../var/spool"])


SPEC: Final = ChannelSpec(
    section="folder",
    settings_model=FolderFile,
    open=lambda config, _tools: FileChannel(config.name, config.folder / config.settings.path),
    here_only=True,
)
