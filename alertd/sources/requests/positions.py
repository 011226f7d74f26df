"""Parses a truck's position as reported by its device or the fleet's system."""

from datetime import UTC, datetime
from typing import Any

from pydantic import Field, field_validator

from alertd.plan.position.map_match import PositionReport
from alertd.sources.files.toml import FileModel, validate_row
from alertd.sources.files.trip_parts import parse_departure


class PositionRequest(FileModel):
    """One position. `at` is stored in UTC, so one moment written in two zones is one report."""

    at: str = Field(examples=["2027-01-14T06:10:00-07:00"])
    lat: float = Field(ge=-90, le=90, examples=[47.0])
    lon: float = Field(ge=-180, le=180, examples=[-115.0])

    @field_validator("at")
    @classmethod
    def _has_zone(cls, value: str) -> str:
        return parse_departure(value).astimezone(UTC).isoformat()

    @property
    def seen_at(self) -> datetime:
        """Time of the position, aware and UTC."""
        return datetime.fromisoformat(self.at)

    def to_core(self) -> PositionReport:
        return PositionReport(at=self.seen_at, lat_deg=self.lat, lon_deg=self.lon)


def parse_position(row: Any, where: str) -> PositionRequest:
    """Validate one position. Raises InputError with `where`, the field, the problem and a hint."""
    return validate_row(row, PositionRequest, where, 'write {"at": "...", "lat": 47.0, "lon": -115.0}')
