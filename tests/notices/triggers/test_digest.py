"""The office's digest: one for all trucks, seldom, without losing anything, and in time for what is pressing."""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

from alertd.i18n import Translators
from alertd.notices.formats.webhook_event import brief_event
from alertd.notices.model import Audience, Notice, NoticeKind
from alertd.notices.policy import Policy
from alertd.notices.sent_state import OfficeAlarm, facts_from_plain, facts_to_plain
from alertd.notices.triggers.change_weight import new_alarms
from alertd.notices.triggers.digest import DigestInput, digest_notice
from alertd.notices.triggers.plan_changes import plan_notices
from alertd.notices.triggers.scheduled import ChainStatus, scheduled_notices
from alertd.plan.model.notes import ClosureNote, HoldNote
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice
from alertd.plan.serialize import canonical
from alertd.sources.files.translations import load_translator
from alertd.testing.factories import at_hour

Saying = Callable[..., Plan]
POLICY = Policy()


def office(plan: Plan, now: datetime, before: object = None) -> list[Notice]:
    notices, _ = plan_notices(plan, before, now, POLICY)
    return [n for n in notices if n.audience is Audience.DISPATCHER]


def digest(plans: list[Plan], notices: list[Notice], now: datetime) -> Notice | None:
    of = DigestInput(fleet="Made", zone="America/Denver", plans={p.trip_id: p for p in plans}, lines={})
    return digest_notice(of, notices, now, POLICY)


def test_forty_new_trips_are_one_message_to_the_office(saying: Saying) -> None:
    plans = [replace(saying(Advice.CHAIN), trip_id=f"T-{n}") for n in range(40)]
    notices = [n for plan in plans for n in office(plan, at_hour(-10))]
    assert len(notices) == 40
    assert not any(n.sent_alone for n in notices)
    one = digest(plans, notices, at_hour(-10))
    assert one is not None
    assert one.kind is NoticeKind.DIGEST
    assert all(f"T-{n} (new)" in one.text for n in range(40))
    assert "40 trucks" in one.text
    assert digest(plans, [*notices, one], at_hour(-1)) is None  # nothing changed


def test_digests_keep_their_distance_and_lose_nothing(saying: Saying) -> None:
    first = office(saying(Advice.CHAIN), at_hour(-10))
    one = digest([], first, at_hour(-10))
    assert one is not None
    later = office(replace(saying(Advice.HOLD), trip_id="T-2"), at_hour(-10))  # at the same second
    assert digest([], [*first, one, *later], at_hour(-9)) is None
    two = digest([], [*first, one, *later], at_hour(-8))
    assert two is not None
    assert "T-2" in two.text
    assert "QT-1 " not in two.text


def test_a_brief_settles_what_changed_before_it(saying: Saying) -> None:
    notices = office(saying(Advice.CHAIN), at_hour(-3))
    body = canonical(brief_event("b", "Made", "2027-01-14", "text", at_hour(-2)))
    sent = {"created_at": at_hour(-2), "expires_at": at_hour(9), "text": "text", "body": body}
    brief = replace(notices[0], id="b", kind=NoticeKind.BRIEF, **sent)
    assert digest([], notices, at_hour(-1)) is not None
    assert digest([], [*notices, brief], at_hour(-1)) is None


def test_a_call_that_cannot_wait_brings_the_digest_forward(saying: Saying) -> None:
    """The pre-pass text of a truck under way: with the digest in time, else at 45 minutes at the latest."""
    plan = saying(Advice.CHAIN)
    hang = plan.stretches[0].chain_up.arrive_at
    now = max(plan.depart_at, hang - timedelta(hours=2))
    (call,) = scheduled_notices(plan, (), ChainStatus(), now, POLICY)
    assert (call.kind, call.passed_on, call.sent_alone) == (NoticeKind.APPROACH, True, False)
    other = office(replace(plan, trip_id="T-2"), at_hour(-10))
    recent = digest([], other, now - timedelta(minutes=1))
    assert recent is not None
    assert digest([plan], [*other, recent, call], hang - timedelta(minutes=46)) is None
    pressing = digest([plan], [*other, recent, call], hang - timedelta(minutes=45))
    assert pressing is not None
    assert "PASS ON WHEN PARKED to Odalys Fenwright: CHAIN UP at" in pressing.text


def test_a_worsening_under_way_does_not_wait_for_a_digest(saying: Saying) -> None:
    _, facts = plan_notices(saying(Advice.READY), None, at_hour(4.5), POLICY)
    (notice,) = office(saying(Advice.CHAIN), at_hour(6.01), facts)
    assert (notice.kind, notice.sent_alone, notice.passed_on) == (NoticeKind.WORSE, True, True)


def test_an_urgent_message_is_sent_once_for_its_reason(saying: Saying) -> None:
    """A truck that departs short of chains: other changes go to the digest, more chains short or less time do not."""
    facts, alone = None, []
    for hour, advice, short_n, leaves in (
        (4.1, Advice.READY, 2, 6), (4.3, Advice.CHAIN, 2, 6), (4.5, Advice.HOLD, 2, 6), (4.6, Advice.HOLD, 4, 6),
        (4.7, Advice.HOLD, 5, 5),
    ):  # fmt: skip
        plan = saying(advice)
        stretches = tuple(replace(s, hanging=replace(s.hanging, singles_short=short_n)) for s in plan.stretches)
        plan = replace(plan, stretches=stretches, singles_short=short_n, depart_at=at_hour(leaves))
        notices, facts = plan_notices(plan, facts and facts_from_plain(facts_to_plain(facts)), at_hour(hour), POLICY)
        alone.append([n.sent_alone for n in notices if n.audience is Audience.DISPATCHER])
    assert alone == [[True], [False], [False], [True], [True]]


def test_a_reason_is_another_when_graver_or_earlier() -> None:
    had = (OfficeAlarm(reason="chains short", weight=2, at=at_hour(6)),)
    for weight, at_h, n in ((2, 6, 0), (1, 6, 0), (2, 5.6, 0), (2, 7, 0), (3, 7, 1), (1, 5.5, 1)):
        due = (OfficeAlarm(reason="chains short", weight=weight, at=at_hour(at_h)),)
        assert len(new_alarms(due, had, POLICY)) == n
    assert len(new_alarms((replace(had[0], reason="driver not reached"),), had, POLICY)) == 1


def test_a_driver_at_home_gets_all_of_it_before_rolling(saying: Saying) -> None:
    """Three forecasts in an evening are one text two hours before departure, as it then is."""
    facts, texts = None, []
    for hour, advice in ((-9.0, Advice.READY), (-6.0, Advice.CHAIN), (1.0, Advice.CHAIN), (4.0, Advice.CHAIN)):
        notices, facts = plan_notices(saying(advice), facts, at_hour(hour), POLICY)
        texts += [(hour, n.kind, n.text) for n in notices if n.audience is Audience.DRIVER]
    ((hour, kind, text),) = texts
    assert (hour, kind) == (4.0, NoticeKind.EARLY)
    assert text.startswith("PLAN TO CHAIN at")


def test_the_office_reads_its_own_language_with_the_original(saying: Saying) -> None:
    translators = Translators(driver=load_translator("es"), office=load_translator("en"))
    plan, policy = saying(Advice.CHAIN), Policy(digest_every=timedelta(0))
    now = plan.stretches[0].chain_up.arrive_at - timedelta(minutes=30)
    (notice,) = scheduled_notices(plan, (), ChainStatus(), max(now, plan.depart_at), policy, translators)
    english, spanish = notice.text.splitlines()
    assert english.startswith("PASS ON WHEN PARKED to Odalys Fenwright: CHAIN UP at")
    assert spanish.startswith("(es) PONGA CADENAS en")


def test_do_not_start_comes_once_and_alone(saying: Saying) -> None:
    """A driver who is told to stay gets no order to chain beside it; the order waits until the hold has ended."""
    plan = saying(Advice.CHAIN)
    ice = ClosureNote(
        what="Ice over a long way", source="forecast", where="", start_m=0.0, end_m=plan.route_length_m,
        zone=plan.depart_zone, enter_at=plan.depart_at, begins_at=plan.depart_at, ends_at=None, met=True, held=True,
        posted=False, kind="ice", probability=0.99,
    )  # fmt: skip
    hold = HoldNote(
        what=ice.what, start_m=ice.start_m, end_m=ice.end_m, zone=ice.zone, enter_at=ice.enter_at,
        wait=plan.stretches[0].chain_up, at_start=True, until=None, not_before=None,
    )  # fmt: skip
    icy, texts, facts = replace(plan, advice=Advice.HOLD, closures=(ice,), hold=hold), [], None
    for hour in (3.0, 4.0, 4.5, 5.0):
        notices, facts = plan_notices(icy, facts, at_hour(hour), POLICY)
        texts += [n.text for n in notices if n.audience is Audience.DRIVER]
    (text,) = texts
    assert text.startswith("HOLD: do not start.")
    at_once = replace(POLICY, ease_after=timedelta(0))
    notices, _ = plan_notices(replace(plan, closures=(), hold=None), facts, at_hour(5.5), at_once)
    assert any(n.text.startswith("PLAN TO CHAIN at") for n in notices if n.audience is Audience.DRIVER)
    over = replace(plan, closures=(), hold=None)
    notices, facts = plan_notices(over, facts, at_hour(5.5), POLICY)
    assert [n.text for n in notices if n.audience is Audience.DRIVER] == []
    notices, _ = plan_notices(over, facts, at_hour(6.1), POLICY)
    (later,) = (n.text for n in notices if n.passed_on)
    assert "HOLD STILL APPLIES until you hear that it ended. Then: PLAN TO CHAIN at" in later
    notices, _ = plan_notices(over, facts, at_hour(6.1), at_once)
    ended = [n for n in notices if n.passed_on and "HOLD" in n.text and "STILL" not in n.text]
    assert [n.sent_alone for n in ended] == [True], "the truck stands until its driver hears it"
