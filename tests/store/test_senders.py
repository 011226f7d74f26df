"""A channel has one sender: the leader, or the worker that the leader gave it to."""

from collections.abc import Callable
from datetime import datetime, timedelta

import pytest

from alertd.notices.channel_state import ChannelState
from alertd.notices.model import Audience, Notice
from alertd.store.store import Store


@pytest.fixture
def waiting(store: Store, noon: datetime, make_notice: Callable[..., Notice]) -> Store:
    """Two notices of one trip and one of another, each for the channels mail and hook."""
    for text, trip in (("first", "trip-1"), ("second", "trip-1"), ("other", "trip-2")):
        store.record_notices([make_notice(text, trip_id=trip)], {Audience.FLEET: ["mail", "hook"]}, noon)
    store.senders.join("w1", "settings")
    store.senders.join("w2", "settings")
    store.senders.give({"hook": "w1"})
    return store


def test_each_sender_claims_on_its_own_channels_only(waiting: Store, noon: datetime) -> None:
    first, second = waiting.senders.outbox_of("w1"), waiting.senders.outbox_of("w2")
    assert waiting.outbox.due_channels(noon) == ("mail",)
    assert first.due_channels(noon) == ("hook",)
    assert second.due_channels(noon) == ()
    assert waiting.outbox.own_channels(["mail", "hook"]) == {"mail"}
    assert first.own_channels(["mail", "hook"]) == {"hook"}
    assert second.own_channels(["mail", "hook"]) == frozenset()
    assert waiting.outbox.peek_due(noon, "hook") == second.peek_due(noon, "hook") == []
    wanted = {"mail": 5, "hook": 5}
    assert {c: [d.text for d in got] for c, got in first.claim_many(noon, wanted, 60, "w1").items()} == {
        "hook": ["first", "other"]
    }
    assert list(waiting.outbox.claim_many(noon, wanted, 60, "leader")) == ["mail"]
    assert second.claim_many(noon, wanted, 60, "w2") == {}


def test_order_holds_while_a_channel_changes_hands(waiting: Store, noon: datetime) -> None:
    """The new sender does not overtake what the former one still has in hand."""
    former, new = waiting.senders.outbox_of("w1"), waiting.senders.outbox_of("w2")
    claimed = {d.text: d.id for d in former.claim_many(noon, {"hook": 5}, 60, "w1")["hook"]}
    waiting.senders.give({"hook": "w2"})
    assert former.claim_many(noon, {"hook": 5}, 60, "w1") == {}
    assert new.claim_many(noon, {"hook": 5}, 60, "w2") == {}
    former.mark_all_done({claimed["first"]: noon})
    assert [d.text for d in new.claim_many(noon, {"hook": 5}, 60, "w2")["hook"]] == ["second"]


def test_what_a_dead_worker_claimed_is_due_at_once(waiting: Store, noon: datetime) -> None:
    dead, new = waiting.senders.outbox_of("w1"), waiting.senders.outbox_of("w2")
    claimed = {d.text: d.id for d in dead.claim_many(noon, {"hook": 5}, 60, "w1")["hook"]}
    waiting.senders.remove("w1")
    assert waiting.outbox.own_channels(["hook"]) == {"hook"}
    waiting.senders.give({"hook": "w2"})
    again = {d.text: d.id for d in new.claim_many(noon, {"hook": 5}, 60, "w2")["hook"]}
    assert again == claimed
    # The dead one was only frozen: what another one has in hand it can neither settle, delay nor lose.
    dead.mark_retry(claimed["first"], noon, noon + timedelta(hours=9), "late")
    dead.mark_expired(claimed["other"], noon, "late")
    dead.mark_all_done({claimed["first"]: noon})
    assert waiting.outbox.health(noon).waiting_n == 6
    new.mark_all_done(dict.fromkeys(again.values(), noon))
    assert [d.text for d in new.claim_many(noon, {"hook": 5}, 60, "w2")["hook"]] == ["second"]
    assert waiting.senders.renew("w2")
    assert not waiting.senders.renew("w1")


def test_a_new_leader_frees_its_forerunners_claims_only(waiting: Store, noon: datetime) -> None:
    worker = waiting.senders.outbox_of("w1")
    assert worker.claim_many(noon, {"hook": 5}, 60, "w1")
    assert waiting.outbox.claim_many(noon, {"mail": 5}, 60, "leader")
    assert waiting.outbox.release_claims() == 2
    assert worker.claim_many(noon, {"hook": 5}, 60, "w1") == {}
    assert waiting.outbox.claim_many(noon, {"mail": 5}, 60, "leader")


def test_only_the_sender_changes_the_state_of_a_channel(waiting: Store, noon: datetime) -> None:
    def state(name: str) -> ChannelState:
        return ChannelState(
            target="hook", state="up", since=noon, why=name, last_success_at=noon, last_failure_at=None, failures=0
        )

    worker, other = waiting.senders.outbox_of("w1"), waiting.senders.outbox_of("w2")
    worker.mark_all_done({}, [state("w1")])
    for outbox in (other, waiting.outbox):
        outbox.mark_all_done({}, [state("intruder")])
    assert waiting.channels.get("hook") == state("w1")


def test_the_leaders_time_comes_with_a_rising_beat(waiting: Store, noon: datetime) -> None:
    assert waiting.senders.leader_time() is None
    for n in (1, 2):
        waiting.senders.publish(lambda n=n: (noon + timedelta(seconds=n), n == 1))
        found = waiting.senders.leader_time()
        assert found is not None
        assert (found.beat, found.now, found.settles) == (n, noon + timedelta(seconds=n), n == 1)
