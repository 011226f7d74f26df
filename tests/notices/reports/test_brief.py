"""The morning brief: a line a truck by pass and direction, nothing left out, nothing called clear that is not known."""

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.notices.reports.brief import Brief, BriefInput, compile_brief
from alertd.notices.reports.brief_changes import state_of
from alertd.notices.reports.brief_html import brief_page
from alertd.notices.reports.brief_text import WIDTH, brief_text, text_of
from alertd.notices.text import place_text
from alertd.plan.make_plan import make_plan
from alertd.plan.model.notes import CarryNote
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.records.brief_states import BRIEF_STATES, last_state
from alertd.road.road_class import RoadClass
from alertd.route.model import BridgeSpan
from alertd.store.store import Store
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_stop, make_surface, make_weather

CLEAR, SLOW, READY, CHAIN, HOLD = Advice
CALM = "NO WINTER ROAD EXPECTED"
LINE = re.compile(r"^  (?:\w{3} )?\d\d:\d\d [A-Z]+  (\S+)  ", re.MULTILINE)


def given_brief(*plans: Plan, not_planned: tuple[tuple[str, str], ...] = (), **more: Any) -> Brief:
    return compile_brief(
        BriefInput(fleet="Made", plans=plans, not_planned=not_planned, now=at_hour(2), zone="America/Denver", **more)
    )


def brief(*plans: Plan, not_planned: tuple[tuple[str, str], ...] = ()) -> str:
    return brief_text("Invented fleet", plans, not_planned, at_hour(2), "America/Denver")


def section(text: str, title: str) -> str:
    """The parts, parted by an empty line, whose first line has the title."""
    return "\n".join(part for part in text.split("\n\n") if title in part.split("\n")[0])


def summary(text: str) -> str:
    return text.split("\nDETAILS\n")[0]


PARAMS = PlanParams(compare_h=0.0)


def headlines(text: str) -> list[str]:
    """Trip ids that have a line or a place in a list of the summary, in the order read."""
    calm = re.findall(r"(\S+) \d\d:\d\d(?:,|$)", section(text, CALM), re.MULTILINE)
    return LINE.findall(summary(text)) + calm + re.findall(r"^  (\S+):", section(text, "NOT PLANNED:"), re.MULTILINE)


def named(plan: Plan, trip_id: str) -> Plan:
    return replace(plan, trip_id=trip_id)


def on_road(script: Any, bridges: Sequence[BridgeSpan] = (), **weather: Any) -> Plan:
    route = make_route(stops=[make_stop("a", 5e3)], bridges=bridges)
    trip = TripInput(id="QT-9", depart_at=at_hour(6), driver="Bram")
    made = make_weather(route, script, **weather)
    return make_plan(PlanRequest(trip, route, make_rig(), {"US-XX": make_rules(chance=0.1)}, made, PARAMS, at_hour(2)))


@given(
    st.lists(st.tuples(st.sampled_from([None, *list(Advice)[1:]]), st.booleans(), st.integers(0, 3)), max_size=8),
    st.integers(0, 3),
)
def test_every_trip_has_one_line_in_the_summary(saying: Callable[..., Plan], trips: list[Any], missed: int) -> None:
    plans = [
        named(saying(advice, partial=partial, short=short), f"QT-{i}")
        for i, (advice, partial, short) in enumerate(trips)
    ]
    text = brief(*plans, not_planned=tuple((f"NP-{i}", "no such route") for i in range(missed)))
    assert sorted(headlines(text)) == sorted([f"NP-{i}" for i in range(missed)] + [p.trip_id for p in plans])
    assert f"{len(plans) + missed} trip" in text


def test_trip_that_could_not_be_planned_has_its_reason() -> None:
    text = brief(not_planned=(("QT-7", "rig unknown"),))
    assert "QT-7: rig unknown" in section(text, "NOT PLANNED:")
    assert "1 NOT PLANNED" in text


def test_trucks_are_grouped_by_pass_and_direction_in_time_order(saying: Callable[..., Plan]) -> None:
    late, soon = named(saying(CHAIN, late_min=90), "late"), named(saying(READY), "soon")
    text = brief(late, soon, named(saying(None, CHAIN), "tarn"))
    assert headlines(section(text, "LARCH PASS EB: 2 trucks: 1 chain, 1 ready")) == ["soon", "late"]
    assert headlines(section(text, "TARN PASS EB: 1 truck: 1 chain")) == ["tarn"]


def test_a_line_says_when_who_what_how_likely_and_where(saying: Callable[..., Plan]) -> None:
    """One zone a line, that of the place."""
    (line,) = (
        x for x in summary(brief(replace(saying(CHAIN, short=2), singles_short=2))).splitlines() if LINE.match(x)
    )
    stop = saying(CHAIN).stretches[0].chain_up
    at = f"{stop.arrive_at.astimezone(ZoneInfo(stop.zone)):%H:%M %Z}"
    assert line.startswith(
        f"  {at}  QT-1  Odalys Fenwright: chain 4 tires (6 in 10), SHORT 2; {place_text.mark(stop)}, "
    )
    assert line.count(at.split()[1]) == 1


def test_a_graver_action_is_not_hidden_behind_the_first(saying: Callable[..., Plan]) -> None:
    (ready,) = given_brief(saying(READY, CHAIN)).lines
    assert ready.do == "be ready: chain 4 tires"
    assert re.fullmatch(r"then chain 4 \w{3} \d\d:\d\d", ready.later)
    (hold,) = given_brief(saying(READY, HOLD)).lines
    assert hold.later.startswith("then HOLD ")
    assert given_brief(saying(CHAIN, READY)).lines[0].later == ""
    assert given_brief(saying(CHAIN, READY)).passing == "Chains may be needed again later on: Tarn Pass EB 1."


def test_chains_are_loaded_before_departure_by_the_hour_it_has(saying: Callable[..., Plan]) -> None:
    plan = replace(saying(CHAIN, short=2), singles_short=2, singles_carried=2)
    lines = section(brief(plan, named(saying(CHAIN), "full")), "BEFORE DEPARTURE: LOAD CHAINS")
    leaves = f"{plan.depart_at.astimezone(ZoneInfo(plan.depart_zone)):%H:%M %Z}"
    assert f"by {leaves}: QT-1 Made rig Odalys Fenwright: load 2 more single chains (needs 4, has 2" in lines
    assert "full" not in lines
    left = replace(plan, depart_at=at_hour(1))
    assert "LOAD CHAINS" not in brief(left)
    assert "QT-1" in section(brief(left), "SHORT OF CHAINS, ALREADY UNDER WAY")


def test_a_carry_rule_names_its_trucks_even_on_a_clear_road(saying: Callable[..., Plan]) -> None:
    note = CarryNote(
        jurisdiction="US-MT",
        certain=True,
        not_placed=(),
        singles_asked=4,
        singles_short=1,
        section="made 3",
        confidence="statute",
        doubt="",
    )
    text = brief(replace(saying(), carry=(note,), singles_short=1, singles_carried=3))
    assert "US-MT asks 4 chains aboard (made 3): Made rig SHORT" in text
    assert "load 1 more single chains (needs 4, has 3" in section(text, "LOAD CHAINS")


def test_the_next_brief_begins_with_what_changed(saying: Callable[..., Plan]) -> None:
    """Worse first; a trip that is the same, and a shift of less than half an hour, are not named."""
    first = [named(saying(a), t) for a, t in ((READY, "up"), (CHAIN, "down"), (CHAIN, "same"), (CHAIN, "gone"))]
    before = state_of(given_brief(*first).lines, at_hour(1))
    now = [
        named(saying(READY), "down"),
        named(saying(CHAIN), "up"),
        named(saying(CHAIN, late_min=20), "same"),
        named(saying(CHAIN), "new"),
    ]
    made = given_brief(*now, before=before)
    assert made.changed is not None
    assert [line.split(":")[0] for line in made.changed.lines] == [
        "up Odalys Fenwright", "down Odalys Fenwright", "1 trip not in that brief, 1 with chains or a hold",
        "no longer listed",
    ]  # fmt: skip
    assert "ready → chain, Larch Pass EB" in made.changed.lines[0]
    assert text_of(made).index("CHANGED SINCE") < text_of(made).index("LARCH PASS")
    same = given_brief(*first, before=before)
    assert same.changed is not None
    assert same.changed.lines == ("nothing that asks for another action",)


def test_a_stored_state_comes_back_the_same(saying: Callable[..., Plan], tmp_path: Path) -> None:
    state = state_of(given_brief(saying(CHAIN), named(saying(), "QT-2")).lines, at_hour(1))
    with Store(tmp_path / "alertd.db") as store:
        assert last_state(store, at_hour(2)) is None
        BRIEF_STATES.save(store, state, state.made_at)
        assert last_state(store, at_hour(2)) == state
        assert last_state(store, at_hour(1)) is None


def test_five_hundred_trips_stay_short_and_none_is_lost(saying: Callable[..., Plan]) -> None:
    """At most three printed pages of 65 lines before the details, at most 150 kB of HTML, every trip named."""
    kinds = [saying(CHAIN), saying(READY, CHAIN), saying(), saying(None, HOLD)]
    plans = [named(replace(kinds[n % 4], singles_short=2 * (n % 20 == 0)), f"QT-{1000 + n}") for n in range(500)]
    missed = tuple((f"NP-{n}", "no such route") for n in range(40))
    made = given_brief(*plans, not_planned=missed)
    text = text_of(made)
    assert len(text.split("ALL TRUCKS")[0].splitlines()) <= 3 * 65
    assert len(brief_page(made).encode()) < 150_000
    assert {p.trip_id for p in plans} | {trip for trip, _ in missed} <= set(re.findall(r"(?:QT|NP)-\d+", text))
    assert {p.trip_id for p in plans} | {trip for trip, _ in missed} <= set(
        re.findall(r"(?:QT|NP)-\d+", brief_page(made))
    )
    short = {p.trip_id for p in plans if p.singles_short}
    assert short <= set(re.findall(r"QT-\d+", text.split("ALL TRUCKS")[0]))


def test_a_calm_trip_is_listed_as_such() -> None:
    text = brief(on_road(lambda m, d, h: RoadClass.DRY))
    assert "QT-9" in section(text, CALM)


@pytest.mark.parametrize(
    "plan",
    [
        on_road(lambda m, d, h: RoadClass.UNKNOWN),
        on_road(lambda m, d, h: np.where((d > 20e3) & (d < 21e3) & (m == 0), RoadClass.UNKNOWN, RoadClass.DRY)),
        on_road(lambda m, d, h: RoadClass.DRY, hours=6),
        on_road(lambda m, d, h: RoadClass.DRY, issued_at=at_hour(-10)),
        on_road(lambda m, d, h: RoadClass.DRY, partial=True),
    ],
    ids=["all unknown", "a hole", "past the forecast", "old forecast", "a source failed"],
)
def test_a_partial_plan_is_never_listed_as_without_winter_road(plan: Plan) -> None:
    assert plan.partial
    text = brief(plan)
    assert "QT-9" not in section(text, CALM)
    assert headlines(text) == ["QT-9"]
    assert "be ready" in summary(text)


def test_white_road_without_chain_advice_is_not_free_of_winter() -> None:
    """Snow all the way on level road, where chains are seldom posted: no stretch, and still a winter road."""
    plan = on_road(lambda m, d, h: RoadClass.SNOW)
    assert plan.advice is SLOW
    text = brief(plan)
    assert "QT-9" not in section(text, CALM)
    assert "QT-9" in section(text, ", winter road,")
    assert "SNOW mi 0-38" in text


def test_dry_road_with_an_icy_bridge_is_not_free_of_winter() -> None:
    creek = BridgeSpan(name="Larch Creek", start_m=20_050.0, end_m=20_110.0)
    text = brief(
        on_road(lambda m, d, h: RoadClass.DRY, [creek], deck=lambda m, d, h: np.where(m < 4, RoadClass.ICE, 0))
    )
    assert "QT-9" in section(text, ", winter road,")
    assert "QT-9" not in section(text, CALM)
    assert "Bridge deck Larch Creek may carry ice (4 in 10)" in section(text, "CAUTIONS")


def test_lines_fit_a_printed_page(saying: Callable[..., Plan]) -> None:
    text = brief(saying(CHAIN, HOLD, short=3), named(saying(), "QT-2"), not_planned=(("QT-3", "x " * 90),))
    assert [line for line in text.splitlines() if len(line) > WIDTH] == []


def test_the_brief_gives_local_time_with_its_zone(saying: Callable[..., Plan]) -> None:
    """02:00 UTC on 14 January is 19:00 the evening before in Denver."""
    assert "Wed 13 Jan 19:00 MST" in brief(saying())
    assert at_hour(2) + timedelta(hours=-7) == at_hour(-5)


def test_brief_has_a_line_for_requested_other_ways(saying: Callable[..., Plan]) -> None:
    line = "Another way is better. By way of south: no chains expected (5%), arrives 35 min later"
    plan = replace(named(saying(CHAIN), "QT-7"), route_choice=line)
    assert f"OTHER WAYS ASKED FOR QT-7: {line}" in " ".join(brief(plan, saying()).split())
    assert "OTHER WAYS" not in brief(saying(CHAIN))


def test_the_brief_says_not_to_count_on_the_plough(saying: Callable[..., Plan]) -> None:
    """One line for a pass and direction, of the truck whose unploughed road is the worst; both forms of the brief."""
    one = make_surface()
    white = replace(one, serviced_surfaces=(("wet", 1.0),), untouched_surfaces=(("snow", 0.6),))
    worse = replace(white, untouched_surfaces=(("snow", 0.9),))
    plans = [replace(saying(None), trip_id=f"T-{n}", surfaces=(run,)) for n, run in enumerate((white, worse, one))]
    made = given_brief(*plans)
    (listed,) = [x for x in made.exceptions if x.title == "Ploughed or not"]
    (line,) = listed.lines
    assert line.endswith(
        ", 2 trucks: Ploughed road: snow or ice under 1 in 10; not ploughed: snow 9 in 10. Do not count on the plough."
    )
    assert "PLOUGHED OR NOT" in text_of(made)
    assert "Do not count on the plough." in brief_page(made)
