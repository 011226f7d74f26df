"""Signed links: what is genuine, what is not, and that nothing of one purpose opens another."""

import base64
import hashlib
import hmac
import os
import stat
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from alertd.errors import ConfigError
from alertd.plan.make_plan import make_plan
from alertd.plan.model.plan import Plan
from alertd.plan.params import PlanParams
from alertd.plan.request import PlanRequest, TripInput
from alertd.plan.serialize import canonical, to_plain
from alertd.planning.signed_links import BOARD, DRIVER, LONGEST, VALID_AFTER_TRIP, LinkClaims, SignedLinks, Subjects
from alertd.road.road_class import RoadClass
from alertd.service.trip_import.save_trip import save_trip
from alertd.sources.files.trips import TripRequest
from alertd.testing.factories import at_hour, make_rig, make_route, make_rules, make_weather

END = datetime(2027, 1, 15, 6, tzinfo=UTC)


@pytest.fixture
def links(tmp_path: Path) -> SignedLinks:
    return SignedLinks(tmp_path / "made" / "links.key")


def test_a_token_opens_for_its_own_trip_and_purpose_only(links: SignedLinks) -> None:
    token = links.token(DRIVER, "QT-1041", END)
    assert len(token) == 36
    opened = links.verify(token, DRIVER, ["QT-1", "QT-1041"])
    assert opened is not None
    assert (opened.subject, opened.until) == ("QT-1041", END)
    assert links.verify(token, BOARD, ["QT-1041"]) is None
    assert links.verify(token, DRIVER, ["QT-1042"]) is None


def test_the_mac_is_hmac_sha256_as_the_docstring_says(links: SignedLinks, tmp_path: Path) -> None:
    """By hand from RFC 2104 and the standard library."""
    raw = base64.urlsafe_b64decode(links.token(DRIVER, "QT-1041", END))
    key = bytes.fromhex((tmp_path / "made" / "links.key").read_text())
    head = b"d" + hashlib.sha256(b"QT-1041").digest()[:6] + int(END.timestamp()).to_bytes(4, "big")
    assert raw == head + hmac.new(key, head + b"QT-1041", hashlib.sha256).digest()[:16]


def test_every_changed_letter_is_refused(links: SignedLinks) -> None:
    token = links.token(DRIVER, "QT-1041", END)
    for i, letter in enumerate(token):
        other = "A" if letter != "A" else "B"
        assert links.verify(token[:i] + other + token[i + 1 :], DRIVER, ["QT-1041"]) is None


@pytest.mark.parametrize("token", ["", "x", "é" * 36, "A" * 36, "A" * 4000, "A" * 35, "=" * 36, "\0" * 36])
def test_rubbish_is_refused(links: SignedLinks, token: str) -> None:
    assert links.verify(token, DRIVER, ["QT-1041"]) is None


def test_a_longer_end_cannot_be_written_into_a_token(links: SignedLinks) -> None:
    raw = bytearray(base64.urlsafe_b64decode(links.token(DRIVER, "QT-1041", END)))
    raw[7:11] = int((END + timedelta(days=30)).timestamp()).to_bytes(4, "big")
    assert links.verify(base64.urlsafe_b64encode(raw).decode(), DRIVER, ["QT-1041"]) is None


def test_key_is_private_to_its_owner_and_outlives_a_restart(links: SignedLinks, tmp_path: Path) -> None:
    token, path = links.token(DRIVER, "QT-1041", END), tmp_path / "made" / "links.key"
    assert stat.S_IMODE(os.stat(path).st_mode) == 0o600
    assert SignedLinks(path).verify(token, DRIVER, ["QT-1041"]) is not None
    other = SignedLinks(tmp_path / "other.key")
    assert other.verify(token, DRIVER, ["QT-1041"]) is None


@pytest.mark.parametrize("content", ["", "abcd\n", "not hex, not at all"])
def test_a_key_file_without_a_key_is_told_in_one_line(tmp_path: Path, content: str) -> None:
    path = tmp_path / "links.key"
    path.write_text(content)
    with pytest.raises(ConfigError, match=r"daemon\.links_key_file") as refused:
        SignedLinks(path).token(DRIVER, "QT-1041", END)
    assert "\n" not in str(refused.value)


def test_a_token_is_looked_up_by_its_digest_without_a_read(links: SignedLinks) -> None:
    """The store is read for the first token and then once in half a minute at most, whatever strangers send."""
    now_s, reads, trips = 1000.0, [], ["QT-1041"]

    def read_all() -> list[str]:
        reads.append(now_s)
        return trips

    subjects = Subjects(links, DRIVER, read_all, lambda: now_s)
    rubbish = ["", "x", "anything", "A" * 35, "é" * 36, links.token(BOARD, "QT-1041", END), "Z" * 36]
    assert not any(subjects.opened(token) or subjects.is_worth_renewing(token) for token in rubbish)
    foreign = [base64.urlsafe_b64encode(b"d" + os.urandom(26)).decode() for _ in range(100)]
    for token in foreign:
        if subjects.is_worth_renewing(token):
            subjects.renew()
        assert subjects.opened(token) is None
    assert reads == [1000.0]
    elsewhere = SignedLinks(links._key_file)  # as another process makes it
    first, later = (elsewhere.token(DRIVER, name, END) for name in ("QT-1041", "QT-1050"))
    assert subjects.opened(first) == LinkClaims(subject="QT-1041", until=END)
    trips.append("QT-1050")
    assert subjects.opened(later) is None
    now_s += 30.0
    assert subjects.is_worth_renewing(later)
    subjects.renew()
    assert subjects.opened(later) == LinkClaims(subject="QT-1050", until=END)
    here = links.token(DRIVER, "QT-1060", END)
    assert subjects.opened(here) == LinkClaims(subject="QT-1060", until=END)


TRIP = TripRequest(id="QT-1", route="i90-west", rig="quillback-17", depart="2027-01-14T06:00:00+00:00")


@pytest.fixture(scope="module")
def plan() -> Plan:
    """A trip of half an hour that leaves at 06:00 UTC."""
    route = make_route(50e3)
    weather = make_weather(route, lambda m, d, h: np.full_like(d + h, RoadClass.DRY))
    trip = TripInput(id="QT-1", depart_at=at_hour(6))
    return make_plan(
        PlanRequest(trip, route, make_rig(), {"US-XX": make_rules()}, weather, PlanParams(compare_h=0.0), at_hour(2))
    )


def until_of(links: SignedLinks, link: str) -> datetime:
    opened = links.verify(link.removeprefix("/d/"), DRIVER, ["QT-1"])
    assert opened is not None
    return opened.until


def test_a_link_works_as_long_as_any_trip_may_last(links: SignedLinks, plan: Plan) -> None:
    """Fourteen days after departure at most (assumed), however soon the plan arrives."""
    first = links.link_for(plan, at_hour(2))
    assert timedelta(0) < until_of(links, first) - (plan.depart_at + LONGEST) <= timedelta(hours=1)
    assert links.link_for(replace(plan, arrive_late=at_hour(26)), at_hour(20)) == first
    late = at_hour(6) + LONGEST
    assert until_of(links, links.link_for(plan, late)) >= late + VALID_AFTER_TRIP


async def test_trip_delayed_by_20_hours_keeps_its_link_to_arrival(plan: Plan, open_client: Callable[..., Any]) -> None:
    """The link of the first message, sent with an arrival at 06:30; the truck arrives at 02:30 on the day after."""
    client = await open_client()
    save_trip(client.store, TRIP, at_hour(2))
    link = SignedLinks(client.settings.links_key).link_for(plan, at_hour(2))

    async def status(now_h: float, arrived_at: datetime | None) -> int:
        made = replace(plan, id=f"plan_{now_h}", made_at=at_hour(now_h), arrived_at=arrived_at)
        body = canonical({"plan": to_plain(made), "said": []})
        client.store.record_plan(made.id, "QT-1", made.made_at, body, (), {})
        client.clock.advance(at_hour(now_h) - client.clock())
        found: int = (await client.get(link)).status_code
        return found

    assert await status(19.0, None) == 200  # 12 h after the planned arrival and a half
    assert await status(26.4, None) == 200
    assert await status(26.6, at_hour(26.5)) == 200
    assert await status(38.4, at_hour(26.5)) == 200
    assert await status(38.6, at_hour(26.5)) == 410
