"""Whether a trip needs a rest, against the law's own arithmetic on its timeline (49 CFR 395.3, Regulation 561/2006)."""

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from alertd.plan.days.place_rests import laws_of, needs_rest, spells_of
from alertd.plan.hours.legal import violations
from alertd.plan.hours.limits import HoursUsed
from alertd.plan.road_ahead.stands import stands_of

DEPART_AT = datetime(2027, 1, 14, 12, tzinfo=UTC)
USED = (
    HoursUsed(),
    HoursUsed(drive_h=4.0, on_duty_since=DEPART_AT - timedelta(hours=6)),
    HoursUsed(drive_h=6.0, on_duty_since=DEPART_AT + timedelta(hours=1)),
    HoursUsed(on_duty_since=DEPART_AT - timedelta(hours=13)),
)


def solution_of(drive_h: float, stopped_h: float, stand_h: float, code: str) -> Any:
    """A drive of one land with a stop for chains and a stand."""
    edge_m = np.linspace(0.0, 400_000.0, 41)
    span = SimpleNamespace(code=code, start_m=0.0, end_m=400_000.0)
    return SimpleNamespace(
        sections=SimpleNamespace(edge_m=edge_m, route=SimpleNamespace(jurisdictions=(span,))),
        moving_s=np.linspace(0.0, drive_h * 3600.0, 41),
        stopped_times=((200_000.0, stopped_h * 3600.0),),
        stands=stands_of([(300_000.0, stand_h * 3600.0, False)]),
    )


@pytest.mark.parametrize("code", ["US-WA", "CA-BC", "NO"])
@pytest.mark.parametrize("used", USED)
def test_a_trip_needs_a_rest_where_the_law_says_so(used: HoursUsed, code: str) -> None:
    found = set[bool]()
    for drive_h in np.arange(0.5, 16.0, 1.5):
        for stopped_h, stand_h in ((0.0, 0.0), (0.5, 0.0), (0.0, 0.75), (1.0, 4.0)):
            solution = solution_of(float(drive_h), stopped_h, stand_h, code)
            over = [
                x.kind
                for law in laws_of(solution)
                for x in violations(spells_of(solution), used, law, DEPART_AT)
                if x.kind in ("driving", "window", "duty")
            ]
            assert needs_rest(solution, used, DEPART_AT) is bool(over), (drive_h, stopped_h, stand_h, over)
            found.add(bool(over))
    assert found == {False, True}
