"""The [notices] part of the settings: when to speak, to whom and in which language, in the reader's units."""

from datetime import time, timedelta
from typing import Final, Literal

from pydantic import Field, field_validator, model_validator

from alertd.notices.policy import Policy
from alertd.service.languages import Languages
from alertd.sources.inorder import Pair, in_order
from alertd.sources.tomlfile import FileModel, Mistake
from alertd.tongue import Language


def local_clock(value: str) -> str:
    """The value where it is a time of day without a zone. Raises ValueError naming the mend."""
    try:
        parsed = time.fromisoformat(value)
    except ValueError:
        parsed = None
    if parsed is None or parsed.tzinfo is not None:
        raise ValueError(f'"{value}" is no local time of day; write e.g. "04:30"')
    return value


_ORDER: Final = (
    Pair(
        low="ready_cleared_probability",
        high="chain_cleared_probability",
        why='"be ready" would be eased before "chain up"',
    ),
    Pair(low="approach_min", high="early_h", per_high=60.0, why="the last notice would come before the early one"),
    Pair(
        low="approach_min", high="quiet_yields_h", per_high=60.0, why="in quiet hours the last notice would come late"
    ),
)


class NoticesFile(FileModel):
    ease_after_min: float = Field(60.0, ge=0, le=720)
    chain_cleared_probability: float = Field(0.4, gt=0.0, lt=1.0)
    ready_cleared_probability: float = Field(0.1, gt=0.0, lt=1.0)
    least_gap_min: float = Field(30.0, ge=0, le=360)
    driver_most_an_hour: int = Field(4, ge=1, le=20)
    quiet_from: str = Field("21:00", examples=["21:00"])
    quiet_to: str = Field("04:00", examples=["04:00"])
    quiet_yields_h: float = Field(3.0, ge=1, le=12)
    outlook_at: str = Field("18:30", examples=["18:30"])
    early_h: float = Field(3.0, ge=0.5, le=12)
    approach_min: float = Field(45.0, ge=15, le=120)
    recheck_min: float = Field(20.0, ge=5, le=120)
    escalate_min: float = Field(30.0, ge=0, le=240)
    tell_rolling_driver: bool = False
    driver_language: Language = "en"
    dispatcher_language: Language = "en"
    units: Literal["us", "metric"] = "us"

    _are_clocks = field_validator("quiet_from", "quiet_to", "outlook_at")(local_clock)

    @model_validator(mode="after")
    def _stand_in_order(self) -> "NoticesFile":
        in_order(self, _ORDER)
        least_min = Policy().escalate_least.total_seconds() / 60.0
        if 0.0 < self.escalate_min < least_min:
            problem = f"{self.escalate_min:g} is below {least_min:g}, before which nobody can have read it"
            raise Mistake("escalate_min", problem, f"write at least {least_min:g}, or 0 where nobody can confirm")
        if self.to_core().quiet_at(time.fromisoformat(self.outlook_at)):
            problem = (
                f"{self.outlook_at} is in the quiet hours {self.quiet_from} to {self.quiet_to}: it would be held back"
            )
            raise Mistake("outlook_at", problem, "write a time before quiet_from")
        return self

    def languages(self) -> Languages:
        return Languages(driver=self.driver_language, office=self.dispatcher_language, metric=self.units == "metric")

    def to_core(self) -> Policy:
        return Policy(
            ease_after=timedelta(minutes=self.ease_after_min),
            chain_cleared_probability=self.chain_cleared_probability,
            ready_cleared_probability=self.ready_cleared_probability,
            least_gap=timedelta(minutes=self.least_gap_min),
            driver_most_an_hour=self.driver_most_an_hour,
            quiet_from=time.fromisoformat(self.quiet_from),
            quiet_to=time.fromisoformat(self.quiet_to),
            quiet_yields=timedelta(hours=self.quiet_yields_h),
            outlook_at=time.fromisoformat(self.outlook_at),
            early=timedelta(hours=self.early_h),
            approach=timedelta(minutes=self.approach_min),
            recheck_after=timedelta(minutes=self.recheck_min),
            escalate_after=timedelta(minutes=self.escalate_min),
            tell_rolling_driver=self.tell_rolling_driver,
        )
