"""Where a driver confirms a message: a link behind its words, where there is room for it."""

import json
from collections.abc import Sequence
from dataclasses import replace

from alertd.notices import gsm7
from alertd.notices.driver import MOST_SEGMENTS
from alertd.notices.notice import Audience, Notice
from alertd.plan.record import canonical


def with_link(notices: Sequence[Notice], link: str) -> list[Notice]:
    """The notices, those to the driver with " Confirm: " and the link where that still fits two GSM-7 segments.

    A notice is the same one with and without it: its id says what is said, not how.
    """
    return [_linked(n, link) if n.audience is Audience.DRIVER and link else n for n in notices]


def _linked(notice: Notice, link: str) -> Notice:
    text = f"{notice.text} Confirm: {link}"
    if gsm7.plain(text) != text or gsm7.segments(text) > MOST_SEGMENTS:
        return notice
    body = json.loads(notice.body)
    body["data"]["text"] = text
    return replace(notice, text=text, body=canonical(body))
