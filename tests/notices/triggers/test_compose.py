"""The link behind a driver's message: only where there is room, and the notice stays the same one."""

import json
from collections.abc import Callable
from dataclasses import replace

from alertd.notices.model import Audience, NoticeKind
from alertd.notices.text import gsm7
from alertd.notices.triggers.compose import NoticeDraft, person_notice, with_link
from alertd.notices.triggers.scheduled import recheck_text
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice

LINK = "https://trips.fleet.example/d/" + "A" * 36


def test_short_message_has_the_link_and_long_one_stays_whole(saying: Callable[..., Plan]) -> None:
    plan = saying(Advice.CHAIN)
    short = person_notice(
        plan, NoticeDraft(NoticeKind.RECHECK, Audience.DRIVER, recheck_text(), plan.arrive_at, ("x",)), plan.made_at
    )
    long = replace(short, text="x" * 300)
    linked, same = with_link([short, long], LINK)
    assert linked.text == f"{short.text} Confirm: {LINK}"
    assert gsm7.segments(linked.text) == 2
    assert json.loads(linked.body)["data"]["text"] == linked.text
    assert linked.id == short.id
    assert same == long


def test_only_the_driver_gets_it_and_without_address_nobody(saying: Callable[..., Plan]) -> None:
    plan = saying(Advice.CHAIN)
    office = person_notice(
        plan, NoticeDraft(NoticeKind.PLAN, Audience.DISPATCHER, "short", plan.arrive_at, ("x",)), plan.made_at
    )
    driver = replace(office, audience=Audience.DRIVER)
    assert with_link([office], LINK) == [office]
    assert with_link([driver], "") == [driver]
