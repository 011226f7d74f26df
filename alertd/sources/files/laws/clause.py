"""Reads the clauses of a rule file, and the versions of a clause."""

from datetime import date
from typing import Literal

from pydantic import Field, model_validator

from alertd.rules.clause import Clause, Sureness
from alertd.sources.files.laws.control_level import Words
from alertd.sources.files.toml import FieldError, FileModel


class ClauseFile(FileModel):
    """A clause, or one version of it. Blocks that name it apply only from its first to its last day in force."""

    id: Words
    asks: Words = Field(examples=["placement, WAC 204-24-050(2)"])
    sure: Literal["text", "agency", "press", "memory", "unread"]
    seen_standing_on: date = Field(examples=[date(2026, 10, 1)])
    source: Words
    in_force_from: date | None = None
    in_force_until: date | None = None
    read_again_by: date | None = None
    known_to_change: str = ""
    page: str = ""
    question: str = ""
    read_sha256: str = Field("", pattern=r"^([0-9a-f]{64})?$")

    @model_validator(mode="after")
    def _dates_in_order(self) -> "ClauseFile":
        if self.in_force_from and self.in_force_until and self.in_force_from > self.in_force_until:
            raise FieldError("in_force_until", "is before in_force_from", "give the last day in force")
        if self.sure in ("memory", "unread") and not (self.page and self.question):
            key = "question" if self.page else "page"
            raise FieldError(
                key, f'missing where sure is "{self.sure}"', "give the page to open and the question to answer"
            )
        return self

    def to_core(self) -> Clause:
        return Clause(**{**self.model_dump(), "sure": Sureness(self.sure)})
