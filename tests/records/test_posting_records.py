"""What was estimated of a posting and what was posted, from stored plans in their JSON form."""

from typing import Any

import pytest

from alertd.records.posting_records import records_of

ENTER = "2027-01-14T18:00:00Z"


def plan(made_h: int, posted: list[dict[str, Any]] = [], chance: float = 0.4) -> dict[str, Any]:  # noqa: B006
    posting = {"jurisdiction": "US-WA", "level_id": "chains", "probability": chance, "posted": False}
    stretch = {
        "start_m": 50e3, "end_m": 70e3, "enter_at": ENTER, "place": "Example Pass", "zone": "America/Los_Angeles",
        "postings": [posting],
    }  # fmt: skip
    return {
        "made_at": f"2027-01-14T{made_h:02d}:00:00Z", "route_name": "west", "stretches": [stretch], "posted": posted
    }  # fmt: skip


def control(level: str, at_m: float | None = 55e3, believed: float = 1.0, land: str = "US-WA") -> dict[str, Any]:
    end_m = None if at_m is None else at_m + 5e3
    return {"jurisdiction": land, "level_id": level, "start_m": at_m, "end_m": end_m, "believed_frac": believed}


@pytest.mark.parametrize(
    ("found", "posted"),
    [
        ([control("chains")], True),
        ([control("none")], False),
        ([], None),
        ([control("advised")], None),
        ([control("closed")], None),
        ([control("none"), control("chains")], True),
        ([control("none", believed=0.2)], None),
        ([control("none", at_m=None)], None),
        ([control("none", at_m=90e3)], None),
        ([control("none", land="US-ID")], None),
    ],
)
def test_the_report_at_the_trucks_hour_decides(found: list[dict[str, Any]], posted: bool | None) -> None:
    """No report, another level or another place proves nothing and is left out."""
    rows = records_of([plan(8), plan(17, found)])
    assert [(r.zone, r.level, r.day, r.probability, r.posted) for r in rows] == (
        [] if posted is None else [("US-WA Example Pass", "US-WA chains", "2027-01-14", 0.4, posted)]
    )


def test_the_newest_estimate_before_the_sign_was_known_counts() -> None:
    """Made at 14:00 with the sign known, or at 16:00 within three hours, an estimate proves nothing of itself."""
    sign = [control("chains")]
    rows = records_of([plan(8, chance=0.2), plan(12, chance=0.3), plan(14, sign, 0.9), plan(16, sign, 0.95)])
    assert [r.probability for r in rows] == [0.3]
