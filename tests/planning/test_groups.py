"""The order in which trips of a road are planned, and when those planned so far are handed over to be recorded."""

from collections.abc import Callable
from itertools import pairwise
from typing import Any

from alertd.planning.corridors.groups import MOST_UNRECORDED, MOST_UNRECORDED_S, GroupEnds, in_turn
from alertd.planning.cycles.plan_here import lowest_left
from alertd.sources.files.trips import TripRequest


class Trucks(dict[str, Any]):
    """Rig files by id: those that end in the same letter are of one kind."""

    def __missing__(self, rig_id: str) -> Any:
        return type("Truck", (), {"nameless": rig_id[-1]})()

    def get(self, rig_id: str, default: Any = None) -> Any:  # type: ignore[override]
        return self[rig_id]


def trips(kinds: str) -> list[TripRequest]:
    return [
        TripRequest(id=f"T-{n}", route="r", rig=f"{n}{kind}", depart="2027-01-14T10:00:00Z")
        for n, kind in enumerate(kinds)
    ]


def group_sizes(end: Callable[[], bool], trips_n: int) -> list[int]:
    sizes = [0]
    for _ in range(trips_n):
        sizes[-1] += 1
        if end():
            sizes.append(0)
    return sizes[:-1]


def test_the_first_trip_is_handed_over_alone() -> None:
    ends = GroupEnds(by_time=False)
    assert group_sizes(ends.ends, 100) == [1, 3, 9, MOST_UNRECORDED, MOST_UNRECORDED, MOST_UNRECORDED]


def test_a_group_ends_when_its_planning_takes_long() -> None:
    now_s = [0.0]
    ends = GroupEnds(clock_s=lambda: now_s[0])

    def slow() -> bool:
        now_s[0] += 0.6 * MOST_UNRECORDED_S
        return ends.ends()

    assert group_sizes(slow, 7) == [1, 2, 2, 2]


def test_kinds_are_together_within_blocks_of_urgency() -> None:
    asked = trips("abababababababa")
    order = [trip.id for trip in in_turn(asked, Trucks())]
    assert order[0] == "T-0"
    assert order[1:4] == ["T-1", "T-3", "T-2"]
    assert set(order[4:13]) == {f"T-{n}" for n in range(4, 13)}
    kinds = [asked[int(name[2:])].rig[-1] for name in order[4:13]]
    assert sum(a != b for a, b in pairwise(kinds)) == 1
    assert in_turn([], Trucks()) == []


def test_a_road_claims_the_rank_of_its_most_urgent_trip_left() -> None:
    ranks = {"T-0": 3, "T-1": 9, "T-2": 5, "T-3": 7}
    assert lowest_left(trips("aaaa"), ranks) == [3, 5, 5, 7]
    assert lowest_left([], ranks) == [0]
