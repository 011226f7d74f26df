"""The section [record]: which passes to record through a winter, how often, where, and within which size."""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from pydantic import Field

from alertd.sources.files.toml import FileModel


class RecordFile(FileModel):
    passes: list[Annotated[str, Field(min_length=1, max_length=100)]] = Field(
        default_factory=list, max_length=100, examples=[["Snoqualmie Pass"]]
    )
    folder: str = Field("../var/recording", min_length=1)
    every_h: float = Field(6.0, ge=1, le=24)
    most_mb: float = Field(1000.0, ge=1, le=1e6)

    def to_core(self, base: Path) -> "RecordSettings":
        return RecordSettings(
            passes=tuple(self.passes), folder=base / self.folder, every_h=self.every_h, most_mb=self.most_mb
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordSettings:
    """passes: names in the summits file; the daemon records nothing without one. most_mb: [10^6 bytes]."""

    passes: tuple[str, ...] = ()
    folder: Path = Path("recording")
    every_h: float = 6.0
    most_mb: float = 1000.0
