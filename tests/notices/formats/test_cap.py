"""CAP 1.2 alerts against the OASIS schema, and the feed against what RFC 4287 asks."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
import xmlschema
from pyproj import Geod

from alertd.notices.formats.cap import (
    MAX_CIRCLES,
    NAMESPACE,
    CapReference,
    CapSender,
    cap_alert,
    cap_time,
    circles,
    has_alert,
)
from alertd.notices.formats.cap_feed import ATOM, cap_feed
from alertd.plan.model.notes import ClosureNote
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.testing.factories import at_hour, make_route, make_surface

SCHEMA = xmlschema.XMLSchema(str(Path(__file__).resolve().parents[3] / "fixtures/cap/CAP-v1.2.xsd"))
SENDER = CapSender(id="alertd@fleet.example", name="Example fleet")
ROUTE = make_route(160e3)
EARLIER = CapReference(sender=SENDER.id, identifier="alertd.plan_0", sent=at_hour(1))


def _read(alert: bytes) -> ET.Element:
    SCHEMA.validate(alert.decode())
    return ET.fromstring(alert)


def _all(alert: ET.Element, path: str) -> list[str]:
    steps = "/".join(f"{{{NAMESPACE}}}{step}" for step in path.split("/"))
    return [x.text for x in alert.iterfind(steps)]


def test_alert_of_two_passes_is_valid_with_place_time_and_advice(saying) -> None:
    plan: Plan = saying(Advice.CHAIN, Advice.HOLD)
    alert = _read(cap_alert(plan, ROUTE, SENDER, at_hour(2)))
    for path, values in {
        "msgType": ["Alert"],
        "status": ["Actual"],
        "scope": ["Restricted"],
        "info/category": ["Transport", "Met"] * 2,
        "info/severity": ["Moderate", "Severe"],
        "info/responseType": ["Prepare", "Avoid"],
        "info/urgency": ["Future", "Future"],
        "info/certainty": ["Likely", "Likely"],
        "info/onset": [cap_time(s.enter_at) for s in plan.stretches],
        "info/senderName": ["Example fleet"] * 2,
    }.items():
        assert _all(alert, path) == values
    larch, tarn = _all(alert, "info/headline")
    assert larch.startswith("Plan to chain for Larch Pass, ")
    assert tarn.startswith("Hold below Tarn Pass, ")
    assert all(len(one) <= 160 for one in (larch, tarn))
    assert all("Posted signs and officers decide" in one for one in _all(alert, "info/instruction"))
    assert plan.driver not in ET.tostring(alert, encoding="unicode")


@pytest.mark.parametrize(
    ("probability", "unknown", "certainty", "severity"),
    [(0.5, 0.0, "Likely", "Minor"), (0.49, 0.5, "Possible", "Minor"), (0.0, 1.0, "Unknown", "Moderate")],
)
def test_odds_become_certainty_as_cap_defines_it(saying, probability, unknown, certainty, severity) -> None:
    """CAP 1.2, 3.2.2: Likely is 50 % and more, Possible less. Where nothing is known severity does not fall."""
    plan = saying(Advice.READY)
    stretch = replace(plan.stretches[0], probability=probability, unknown_frac=unknown)
    alert = _read(cap_alert(replace(plan, stretches=(stretch,)), ROUTE, SENDER, at_hour(2)))
    assert (_all(alert, "info/certainty"), _all(alert, "info/severity")) == ([certainty], [severity])


@pytest.mark.parametrize(
    ("before_min", "urgency"), [(61, "Future"), (60, "Expected"), (1, "Expected"), (0, "Immediate"), (-30, "Immediate")]
)
def test_time_to_the_stretch_becomes_urgency_as_cap_defines_it(saying, before_min: float, urgency: str) -> None:
    plan = saying(Advice.CHAIN)
    sent = plan.stretches[0].enter_at - timedelta(minutes=before_min)
    assert _all(_read(cap_alert(plan, ROUTE, SENDER, sent)), "info/urgency") == [urgency]


def test_an_update_and_a_cancel_name_what_they_follow(saying) -> None:
    named = ["alertd@fleet.example,alertd.plan_0,2027-01-14T01:00:00-00:00"]
    update = _read(cap_alert(saying(Advice.CHAIN), ROUTE, SENDER, at_hour(2), earlier=[EARLIER]))
    assert (_all(update, "msgType"), _all(update, "references")) == (["Update"], named)
    cancel = _read(cap_alert(saying(), ROUTE, SENDER, at_hour(2), earlier=[EARLIER]))
    assert (_all(cancel, "msgType"), _all(cancel, "references"), _all(cancel, "info")) == (["Cancel"], named, [])


def test_missing_data_never_cancels(saying) -> None:
    partial = saying(partial=True)
    assert has_alert(partial)
    alert = _read(cap_alert(partial, ROUTE, SENDER, at_hour(2), earlier=[EARLIER]))
    assert _all(alert, "msgType") == ["Update"]
    assert (_all(alert, "info/certainty"), _all(alert, "info/severity")) == (["Unknown"], ["Moderate"])
    assert _all(alert, "info/headline")[0].startswith("Be ready to chain")


def test_nothing_to_say_and_nothing_said_is_no_alert(saying) -> None:
    assert not has_alert(saying())
    with pytest.raises(ValueError, match="requires no action"):
        cap_alert(saying(), ROUTE, SENDER, at_hour(2))


def test_invented_data_is_an_exercise_and_says_so(saying) -> None:
    alert = _read(cap_alert(saying(Advice.CHAIN), ROUTE, SENDER, at_hour(2), exercise=True))
    assert (_all(alert, "status"), _all(alert, "note")) == (["Exercise"], ["Invented data: not for navigation."])


@pytest.mark.parametrize("sender", ["has blank", "a,b", "<x", "a&b", ""])
def test_a_sender_that_cap_does_not_allow_is_refused(saying, sender: str) -> None:
    with pytest.raises(ValueError, match="is not a CAP name"):
        cap_alert(saying(Advice.CHAIN), ROUTE, replace(SENDER, id=sender), at_hour(2))


def test_names_with_markup_or_control_characters_stay_valid(saying) -> None:
    plan = saying(Advice.CHAIN)
    odd = replace(plan.stretches[0], place="Larch <Pass> & \x00\x1b]]> ❄")
    alert = _read(cap_alert(replace(plan, stretches=(odd,)), ROUTE, SENDER, at_hour(2)))
    assert "Larch <Pass> &" in _all(alert, "info/headline")[0]


def test_times_are_written_as_the_schema_wants_them() -> None:
    """The schema's pattern lets neither "Z" nor fractions pass."""
    assert cap_time(datetime(2026, 1, 15, 5, 0, 0, 123, tzinfo=UTC)) == "2026-01-15T05:00:00-00:00"


@pytest.mark.parametrize(("start_m", "end_m"), [(40e3, 40e3), (40e3, 50e3), (0.0, 160e3)])
def test_circles_hold_every_point_of_the_road(start_m: float, end_m: float) -> None:
    """Distances by pyproj's geodesic on the WGS 84 ellipsoid."""
    drawn = circles(ROUTE, start_m, end_m)
    assert 1 <= len(drawn) <= MAX_CIRCLES
    on_it = (ROUTE.distance_m >= start_m) & (ROUTE.distance_m <= end_m)
    covered = np.zeros(on_it.sum(), dtype=bool)
    for circle in drawn:
        place, radius_km = circle.split(" ")
        lat, lon = map(float, place.split(","))
        n = covered.size
        _, _, apart_m = Geod(ellps="WGS84").inv(
            np.full(n, lon), np.full(n, lat), ROUTE.lon_deg[on_it], ROUTE.lat_deg[on_it]
        )
        covered |= apart_m <= float(radius_km) * 1000.0
    assert covered.all()


def test_the_feed_has_what_rfc_4287_requires_newest_first(saying) -> None:
    """Sections 4.1.1 and 4.1.2: id, title and updated of feed and entries, an author, a link where no content is."""
    first = cap_alert(saying(Advice.CHAIN), ROUTE, SENDER, at_hour(2))
    second = cap_alert(replace(saying(), id="later"), ROUTE, SENDER, at_hour(3), earlier=[EARLIER])
    feed = ET.fromstring(cap_feed([first, second], SENDER, "https://fleet.example/cap/", at_hour(9)))
    a = f"{{{ATOM}}}"
    assert feed.tag == f"{a}feed"
    assert feed.findtext(f"{a}updated") == "2027-01-14T03:00:00Z"
    assert feed.findtext(f"{a}author/{a}name") == "Example fleet"
    assert feed.find(f"{a}link").get("rel") == "self"
    entries = feed.findall(f"{a}entry")
    assert [e.findtext(f"{a}updated") for e in entries] == ["2027-01-14T03:00:00Z", "2027-01-14T02:00:00Z"]
    assert [e.find(f"{a}category").get("term") for e in entries] == ["Cancel", "Alert"]
    for entry in entries:
        # RFC 4287 section 4.2.6: the id is permanent, so it does not hold the address of this daemon.
        identifier = entry.find(f"{a}link").get("href").rsplit("/", 1)[1].removesuffix(".xml")
        assert entry.findtext(f"{a}id") == f"urn:alertd:alert:{identifier}"
        assert entry.findtext(f"{a}title")
    assert len({e.findtext(f"{a}id") for e in entries}) == 2


def test_a_feed_of_nothing_is_still_a_feed() -> None:
    feed = ET.fromstring(cap_feed([], SENDER, "https://fleet.example/cap", at_hour(9)))
    assert feed.findtext(f"{{{ATOM}}}updated") == "2027-01-14T09:00:00Z"


def closed(
    *, posted: bool = True, ends_h: float | None = 12.0, begins_h: float = 1.0, held: bool = True
) -> ClosureNote:
    return ClosureNote(
        what="Road closed (slide)" if posted else "Blizzard Warning",
        source="Invented DOT",
        where="" if posted else "Larch County",
        start_m=70e3,
        end_m=80e3,
        zone="America/Denver",
        enter_at=at_hour(7),
        begins_at=at_hour(begins_h),
        ends_at=None if ends_h is None else at_hour(ends_h),
        met=True,
        held=held,
        posted=posted,
        words=() if posted else ("Travel is not advised.",),
    )


@pytest.mark.parametrize("partial", [False, True])
@pytest.mark.parametrize("surfaces", [(), (make_surface(),)])
@pytest.mark.parametrize(
    ("stretches", "closures"),
    [
        ((None, None), (closed(),)),
        ((None, None), (closed(posted=False),)),
        ((None, None), (closed(ends_h=None), closed(posted=False))),
        ((Advice.CHAIN, None), (closed(),)),
        ((Advice.READY, Advice.CHAIN), (closed(begins_h=5.0),)),
        ((Advice.HOLD, None), ()),
        ((Advice.CHAIN, Advice.HOLD), ()),
        ((Advice.HOLD, None), (closed(ends_h=1.5),)),
    ],
)
def test_hold_implies_avoid(saying, stretches, closures, surfaces, partial: bool) -> None:
    """One info a reason to hold, each Severe and to be avoided (CAP 1.2, 3.2.2), and none that says less instead."""
    plan: Plan = replace(saying(*stretches, partial=partial), closures=closures, surfaces=surfaces, advice=Advice.HOLD)
    alert = _read(cap_alert(plan, ROUTE, SENDER, at_hour(2)))
    held_n = len(closures) + sum(a is Advice.HOLD for a in stretches)
    avoid = [i for i in alert.iter(f"{{{NAMESPACE}}}info") if i.findtext(f"{{{NAMESPACE}}}responseType") == "Avoid"]
    assert len(avoid) == held_n > 0
    for info in avoid:
        assert info.findtext(f"{{{NAMESPACE}}}severity") == "Severe"
        onset, expires = (datetime.fromisoformat(info.findtext(f"{{{NAMESPACE}}}{n}")) for n in ("onset", "expires"))
        assert onset < expires
        assert expires > at_hour(2)
        assert info.find(f"{{{NAMESPACE}}}area/{{{NAMESPACE}}}circle") is not None
    unknown = [h for h in _all(alert, "info/headline") if "missing or old" in h]
    assert len(unknown) == (partial and stretches == (None, None))


def test_closure_has_its_hours_source_and_quoted_text(saying) -> None:
    plan = replace(saying(), closures=(closed(), closed(posted=False, ends_h=None)), advice=Advice.HOLD)
    alert = _read(cap_alert(plan, ROUTE, SENDER, at_hour(2)))
    assert _all(alert, "info/event") == ["Road closed", "Weather warning on the road"]
    assert _all(alert, "info/certainty") == ["Observed", "Likely"]
    assert _all(alert, "info/onset") == [cap_time(at_hour(1))] * 2
    assert _all(alert, "info/expires") == [cap_time(at_hour(12)), cap_time(at_hour(31))]
    closure, warning = _all(alert, "info/description")
    assert "Invented DOT" in closure
    assert '"Travel is not advised."' in warning
    assert _all(alert, "info/area/areaDesc")[1] == "Larch County"


def test_a_closure_that_holds_nothing_makes_no_info(saying) -> None:
    plan = replace(saying(Advice.CHAIN), closures=(closed(held=False),))
    assert _all(_read(cap_alert(plan, ROUTE, SENDER, at_hour(2))), "info/responseType") == ["Prepare"]


@pytest.mark.parametrize(("icy", "severity"), [(True, "Moderate"), (False, "Minor")])
def test_winter_road_without_chains_is_an_info_of_its_own(saying, icy: bool, severity: str) -> None:
    plan = replace(saying(), advice=Advice.SLOW, surfaces=(make_surface(icy=icy), make_surface(chains_asked=True)))
    assert has_alert(plan)
    alert = _read(cap_alert(plan, ROUTE, SENDER, at_hour(2)))
    assert _all(alert, "info/severity") == [severity]
    assert _all(alert, "info/onset") == [cap_time(at_hour(6))]
    (headline,) = _all(alert, "info/headline")
    assert ("mi 0-38" in headline, headline.startswith("ICE")) == (True, icy)
    assert "slow" in _all(alert, "info/parameter/value")


@pytest.mark.parametrize("advice", [Advice.SLOW, Advice.READY])
def test_advice_without_a_place_is_not_a_missing_forecast(saying, advice: Advice) -> None:
    alert = _read(cap_alert(replace(saying(), advice=advice, surfaces=()), ROUTE, SENDER, at_hour(2)))
    (headline,) = _all(alert, "info/headline")
    assert "missing" not in headline
    assert advice.value in _all(alert, "info/parameter/value")


def test_wind_alone_is_an_alert_with_its_gusts_and_what_to_do(saying) -> None:
    """The trip has the advice to slow down, and no winter road that could give the headline."""
    gusts = ClosureNote(
        what="Strong gusts", source="our forecast", where="", start_m=60e3, end_m=90e3, zone="America/Denver",
        enter_at=at_hour(7), begins_at=at_hour(6), ends_at=None, met=True, held=False, posted=False, kind="wind",
        probability=0.72, detail="up to 58 mph", worst=26.0,
    )  # fmt: skip
    plan: Plan = replace(saying(), advice=Advice.SLOW, closures=(gusts,))
    alert = _read(cap_alert(plan, ROUTE, SENDER, at_hour(2)))
    assert _all(alert, "info/headline") == ["Strong gusts (up to 58 mph, 7 in 10), mi 37-56"]
    assert "park off the road if it moves you" in _all(alert, "info/instruction")[0]
