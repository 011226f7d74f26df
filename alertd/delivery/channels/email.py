"""Mail by SMTP, encrypted unless the operator says otherwise for a server on the daemon's own machine.

The notice's id makes the Message-ID, so a mail that is sent again is the same mail and a reader's program may show it
once. What the text holds never reaches a header unescaped: headers are built by `email`, which refuses line breaks, and
ours are stripped of control characters before.
"""

import asyncio
import re
import ssl
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from typing import Final, Literal

from pydantic import Field

from alertd.delivery.channel import OutgoingNotice
from alertd.delivery.channel_spec import ChannelConfig, ChannelModel, ChannelSpec
from alertd.delivery.email_content import Attachment, EmailContent
from alertd.errors import ConfigError, DeliveryError

DEADLINE_S = 20.0
MAX_SUBJECT = 120
Security = Literal["tls", "starttls", "none"]
# RFC 4954: replies to a login or the want of one. A wrong password for an hour must not park the mails of that hour.
_LOGIN_ERRORS = frozenset({530, 534, 535, 538})
_ADDRESS = re.compile(r"[^\s<>@,;:\"()\[\]\\]+@[A-Za-z0-9.-]+")
_CONTROL_CHARACTERS = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Mailbox:
    """Where mail is handed in and to whom it goes. `user` "" for a server that asks for none."""

    name: str
    host: str
    port: int
    sender: str
    recipients: tuple[str, ...]
    security: Security = "starttls"
    user: str = ""
    password: str = ""


class MailChannel:
    """One mailbox. `content` gives the HTML and pictures of a notice; left out, mails are plain text."""

    def __init__(
        self,
        mailbox: Mailbox,
        *,
        content_for: Callable[[OutgoingNotice], EmailContent] | None = None,
        tls: ssl.SSLContext | None = None,
        deadline_s: float = DEADLINE_S,
    ) -> None:
        """Raises ConfigError when an address cannot be used, or a password would go out in the clear."""
        for field, addresses in (("sender", (mailbox.sender,)), ("recipients", mailbox.recipients)):
            for address in addresses:
                if not _ADDRESS.fullmatch(address):
                    mend = "write it as name@host, without a display name"
                    raise ConfigError(mailbox.name, field, f"{address!r} is no mail address", mend)
        if not mailbox.recipients:
            raise ConfigError(mailbox.name, "recipients", "nobody is named", "name at least one address")
        if mailbox.security == "none" and mailbox.user:
            mend = 'use "tls" or "starttls", or leave the user out'
            raise ConfigError(mailbox.name, "security", "a password would be sent unencrypted", mend)
        self._mailbox, self._content_for, self._deadline_s = mailbox, content_for, deadline_s
        self._tls = tls or ssl.create_default_context()

    async def send(self, outgoing: OutgoingNotice, now_epoch_s: float) -> None:
        """Return when the server has taken it for every recipient. Raises DeliveryError otherwise.

        One refused recipient among several fails the whole: the rest get the same mail again with the next try, under
        the same Message-ID.
        """
        import aiosmtplib  # here: commands that send no mail need no client for it

        name = self._mailbox.name
        content = await asyncio.to_thread(self._content_for, outgoing) if self._content_for else EmailContent()
        message = make_message(self._mailbox, outgoing, content)
        try:
            async with asyncio.timeout(self._deadline_s):
                await self._submit(message)
        except TimeoutError as exc:
            raise DeliveryError(name, f"not taken within {self._deadline_s:g} s") from exc
        except aiosmtplib.SMTPRecipientsRefused as exc:
            worst = max(exc.recipients, key=lambda refused: refused.code)
            raise smtp_error(name, worst.code, f"{worst.recipient}: {worst.message}") from exc
        except aiosmtplib.SMTPResponseException as exc:
            raise smtp_error(name, exc.code, exc.message) from exc
        except (aiosmtplib.SMTPException, OSError, ValueError) as exc:
            raise DeliveryError(name, f"{type(exc).__name__}: {_on_one_line(str(exc))}") from exc

    async def _submit(self, message: EmailMessage) -> None:
        import aiosmtplib

        box = self._mailbox
        client = aiosmtplib.SMTP(
            hostname=box.host,
            port=box.port,
            use_tls=box.security == "tls",
            start_tls=box.security == "starttls",  # never "if offered": who strips the offer would read the mail
            tls_context=self._tls if box.security != "none" else None,
            timeout=self._deadline_s,
            local_hostname="alertd.invalid",  # the machine's own name is nobody's business
        )
        async with client:
            if box.user:
                await client.login(box.user, box.password)
            refused, _ = await client.send_message(message, sender=box.sender, recipients=list(box.recipients))
            if refused:
                address, (code, reply) = max(refused.items(), key=lambda item: item[1][0])
                raise smtp_error(box.name, code, f"{address}: {reply}")


def make_message(mailbox: Mailbox, outgoing: OutgoingNotice, content: EmailContent) -> EmailMessage:
    """The mail of a notice: the same on every try, its date that of the decision."""
    message = EmailMessage(policy=SMTP)
    message["From"] = mailbox.sender
    message["To"] = ", ".join(mailbox.recipients)
    message["Subject"] = subject(outgoing)
    message["Date"] = format_datetime(outgoing.created_at.astimezone(UTC))
    message["Message-ID"] = f"<{_on_one_line(outgoing.notice_id)}@{mailbox.sender.rpartition('@')[2]}>"
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: no out-of-office answers
    message["Expires"] = format_datetime(outgoing.expires_at.astimezone(UTC))
    message.set_content(outgoing.text.rstrip("\n") + "\n")
    inline = [one for one in content.attachments if one.content_id]
    if content.html:
        message.add_alternative(content.html, subtype="html")
        body = message.get_payload(1)
        assert isinstance(body, EmailMessage)  # noqa: S101 - narrows the type, holds by construction
        for one in inline:
            body.add_related(one.content, *_type(one), cid=f"<{one.content_id}>", filename=_on_one_line(one.filename))
    for one in content.attachments:
        if not (content.html and one.content_id):
            message.add_attachment(one.content, *_type(one), filename=_on_one_line(one.filename))
    for n, part in enumerate(part for part in message.walk() if part.is_multipart()):
        part.set_boundary(f"=_{_on_one_line(outgoing.notice_id)}_{n}")  # drawn anew for each try if left to the library
    return message


def subject(outgoing: OutgoingNotice) -> str:
    """The trip and the first line that says something."""
    first = next((line.strip() for line in outgoing.text.splitlines() if line.strip()), outgoing.kind)
    trip = f"{outgoing.trip_id}: " if outgoing.trip_id and outgoing.trip_id not in first else ""
    whole = _on_one_line(trip + first)
    return whole if len(whole) <= MAX_SUBJECT else whole[: MAX_SUBJECT - 3].rstrip() + "..."


def smtp_error(name: str, code: int, reply: str) -> DeliveryError:
    """An SMTP reply as our failure: 4yz is tried again, 5yz is final (RFC 5321, 4.2.1) unless it is about the login."""
    final = 500 <= code <= 599 and code not in _LOGIN_ERRORS
    return DeliveryError(name, f"answered {code}: {_on_one_line(reply)}", permanent=final)


def _type(attachment: Attachment) -> Sequence[str]:
    return attachment.media_type.split("/", 1)


def _on_one_line(text: str) -> str:
    return _CONTROL_CHARACTERS.sub(" ", text)[:200].strip()


class MailFile(ChannelModel):
    """The section [[mail]]."""

    host: str = Field(min_length=1, examples=["mail.fleet.example"])
    port: int = Field(587, ge=1, le=65535)
    security: Security = "starttls"
    user: str = ""
    password_file: str = ""
    sender: str = Field(examples=["alertd@fleet.example"])
    recipients: list[str] = Field(min_length=1, examples=[["dispatch@fleet.example"]])


def mailbox_of(config: ChannelConfig[MailFile]) -> Mailbox:
    settings = config.settings
    return Mailbox(
        name=settings.name,
        host=settings.host,
        port=settings.port,
        sender=settings.sender,
        recipients=tuple(settings.recipients),
        security=settings.security,
        user=settings.user,
        password=config.secret("password_file"),
    )


SPEC: Final = ChannelSpec(
    section="mail",
    settings_model=MailFile,
    secrets=("password_file",),
    with_pages=True,
    open=lambda config, tools: MailChannel(mailbox_of(config), content_for=tools.email_content, tls=tools.tls),
)
