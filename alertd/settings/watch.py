"""Settings of the beacon that the daemon writes, and of the watch that reads it."""

from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from pydantic import Field

from alertd.delivery.standard_webhooks import read_secret
from alertd.errors import ConfigError
from alertd.settings.secrets import ReadSecret
from alertd.sources.files.toml import FileModel


class WatchFile(FileModel):
    """The [watch] table. The daemon needs file and secret_file; the watch secret_file, folder and token_file."""

    file: str = Field("", examples=["../var/beacon.json"])
    secret_file: str = Field("", examples=["secrets/watch.txt"])
    late_min: int = Field(10, ge=1, le=240)
    folder: str = Field("../var/watch", min_length=1)
    token_file: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchSettings:
    """file: where the daemon writes the beacon, None for none. key: signs it, b"" if not set. late: time beyond a
    cycle's period after which the daemon is silent. folder: the watch's own store and state. token: for the daemon.
    """

    file: Path | None = None
    key: bytes = b""
    late: timedelta = timedelta(minutes=10)
    folder: Path = Path("watch")
    token: str = ""

    @property
    def beacon_file(self) -> Path:
        """The last beacon that the watch has read."""
        return self.folder / "beacon.json"

    @property
    def told_file(self) -> Path:
        """The trips whose drivers heard of the silence in progress."""
        return self.folder / "told.json"

    @property
    def store(self) -> Path:
        """The watch's own store of notices."""
        return self.folder / "watch.db"


def watch_settings(path: Path, content: WatchFile, secret_of: ReadSecret) -> WatchSettings:
    """Return the settings of the watch. Raises ConfigError for a missing or unusable secret."""
    secret = secret_of("watch.secret_file", content.secret_file)
    if content.file and not secret:
        raise ConfigError(
            str(path),
            "watch.secret_file",
            "is missing while watch.file is set",
            "name a file with a whsec_ secret; the watch on the other machine needs the same",
        )
    return WatchSettings(
        file=path.parent / content.file if content.file else None,
        key=read_secret(secret, where=str(path), field="watch.secret_file") if secret else b"",
        late=timedelta(minutes=content.late_min),
        folder=path.parent / content.folder,
        token=secret_of("watch.token_file", content.token_file),
    )
