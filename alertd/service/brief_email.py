"""Renders and stores the brief's page once, so that every attempt sends the same bytes."""

import asyncio
import logging
from collections.abc import Callable
from datetime import datetime

from alertd.delivery.channel import OutgoingNotice
from alertd.delivery.email_content import Attachment, EmailContent
from alertd.errors import StoreError
from alertd.notices.model import Notice
from alertd.notices.reports.brief import Brief
from alertd.notices.reports.brief_html import brief_page
from alertd.records.brief_content import BRIEF_CONTENTS, BriefContent, load_brief_content, notice_hash
from alertd.store.store import Store

log = logging.getLogger(__name__)


async def save_content(store: Store, notice: Notice, brief: Brief, now_utc: datetime) -> None:
    """Render the page of a notice and store it under a hash of the notice's body, before the notice is stored.

    A stored brief therefore always has its page, and a brief decided again after a crash has its own. After an
    internal rendering error the brief is sent as text. Raises StoreError.
    """
    try:
        page = await asyncio.to_thread(brief_page, brief)
    except StoreError:
        raise
    except Exception:
        log.exception("brief is sent as text only: internal error")
        return
    content = BriefContent(notice_hash=notice_hash(notice.body), html=page, images=())
    await asyncio.to_thread(BRIEF_CONTENTS.save, store, content, now_utc)


def content_loader(store: Store) -> Callable[[OutgoingNotice], EmailContent]:
    """Returns the email content of a notice: the stored page of a brief, with images if an older version stored it."""

    def load_content(outgoing: OutgoingNotice) -> EmailContent:
        if outgoing.kind != "brief":
            return EmailContent()
        stored = load_brief_content(store, outgoing.body)
        if stored is None:
            return EmailContent()
        attachments = tuple(
            Attachment(filename=i.filename, media_type="image/png", content=i.png, content_id=i.cid)
            for i in stored.images
        )
        return EmailContent(html=stored.html, attachments=attachments)

    return load_content
