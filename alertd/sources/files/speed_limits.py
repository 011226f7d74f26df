"""Reads speed limits of trucks: those that an operator knows of, by their ends, and those of law, by land."""

from pathlib import Path
from typing import Annotated, Final

from pydantic import Field, model_validator

from alertd.route.speed_limits import PostedLimit, TruckSpeed
from alertd.sources.files.toml import FieldError, FileModel, read_toml
from alertd.units import KMH_MPS, MPH_MPS

_EXAMPLE: Final = [47.45, -115.69]
_Place = Annotated[list[float], Field(min_length=2, max_length=2, examples=[_EXAMPLE])]


class LimitEntry(FileModel):
    """One limit. A figure outside 5 to 85 mph (8 to 140 km/h) is probably a typing error or a wrong unit."""

    start: _Place = Field(alias="from", examples=[_EXAMPLE])
    end: _Place = Field(alias="to", examples=[_EXAMPLE])
    both_ways: bool = False
    mph: float | None = Field(None, ge=5, le=85)
    kmh: float | None = Field(None, ge=8, le=140)
    source: str = Field(min_length=1, examples=["sign at milepost 4, read 2026-10-03"])

    @model_validator(mode="after")
    def _is_sound(self) -> "LimitEntry":
        for key, (lat, lon) in (("from", self.start), ("to", self.end)):
            if not (abs(lat) <= 90.0 and abs(lon) <= 180.0):
                raise FieldError(
                    key, f"[{lat:g}, {lon:g}] is nowhere on Earth", "write [latitude, longitude] in degrees"
                )
        if self.start == self.end:
            raise FieldError("to", "is the same place as from", "write where the limit ends")
        if (self.mph is None) == (self.kmh is None):
            problem = "both are given" if self.mph is not None else "no speed is given"
            raise FieldError("mph", problem, "write either mph = ... or kmh = ...")
        return self

    def to_core(self) -> PostedLimit:
        speed_mps = self.mph * MPH_MPS if self.mph is not None else (self.kmh or 0.0) * KMH_MPS
        return PostedLimit(
            start=(self.start[0], self.start[1]),
            end=(self.end[0], self.end[1]),
            both_ways=self.both_ways,
            speed_mps=speed_mps,
            source=self.source,
        )


class LimitFile(FileModel):
    limit: list[LimitEntry] = Field(default_factory=list)


class TruckSpeedEntry(FileModel):
    """The highest speed of trucks by the law of one land. Bounds as of a limit."""

    jurisdiction: str = Field(pattern=r"^[A-Z]{2}(-[A-Z0-9]{1,3})?$", examples=["US-CA"])
    mph: float | None = Field(None, ge=5, le=85)
    kmh: float | None = Field(None, ge=8, le=140)
    axles_least: int = Field(0, ge=0, le=12)
    mass_least_kg: float = Field(0.0, ge=0.0)
    source: str = Field(min_length=1, examples=["Vehicle Code section 22406, from memory"])

    @model_validator(mode="after")
    def _has_one_speed(self) -> "TruckSpeedEntry":
        if (self.mph is None) == (self.kmh is None):
            problem = "both are given" if self.mph is not None else "no speed is given"
            raise FieldError("mph", problem, "write either mph = ... or kmh = ...")
        return self

    def to_core(self) -> TruckSpeed:
        return TruckSpeed(
            jurisdiction=self.jurisdiction,
            speed_mps=self.mph * MPH_MPS if self.mph is not None else (self.kmh or 0.0) * KMH_MPS,
            source=self.source,
            axles_least=self.axles_least,
            mass_least_kg=self.mass_least_kg,
        )


class TruckSpeedFile(FileModel):
    truck_speed: list[TruckSpeedEntry] = Field(default_factory=list)


def read_truck_speeds(path: Path) -> tuple[TruckSpeed, ...]:
    """Read the highest speeds of trucks by land. Raises ConfigError, one line per error."""
    return tuple(entry.to_core() for entry in read_toml(path, TruckSpeedFile).truck_speed)


def read_limits(path: Path) -> tuple[PostedLimit, ...]:
    """Read every limit of a file; empty for a file without limits. Raises ConfigError, one line per error."""
    return tuple(entry.to_core() for entry in read_toml(path, LimitFile).limit)
