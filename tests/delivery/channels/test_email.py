"""Mail against a real SMTP server on loopback (aiosmtpd), and the message as the standard library reads it back."""

import asyncio
import shutil
import ssl
import subprocess
from collections.abc import AsyncIterator, Awaitable, Callable
from datetime import UTC, datetime
from email import message_from_bytes
from email.policy import default
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.smtp import SMTP, AuthResult, LoginPassword

from alertd.delivery.channels.email import (
    Mailbox,
    MailChannel,
    make_message,
    smtp_error,
    subject,
)
from alertd.delivery.email_content import Attachment, EmailContent
from alertd.errors import ConfigError, DeliveryError

PNG = b"\x89PNG\r\n\x1a\n" + bytes(range(64))


class Taking:
    """Keeps what it takes; `refuses` maps a recipient, or "data", to a reply."""

    def __init__(self) -> None:
        self.taken: list[Any] = []
        self.refuses: dict[str, str] = {}
        self.stalls_s = 0.0

    async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, options: Any) -> str:
        if address in self.refuses:
            return self.refuses[address]
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        await asyncio.sleep(self.stalls_s)
        if "data" in self.refuses:
            return self.refuses["data"]
        self.taken.append((session.ssl is not None, session.login_data, envelope))
        return "250 OK"


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("the openssl program, which makes the test certificate, is not installed")
    folder = tmp_path_factory.mktemp("tls")
    command = "req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 1 -subj /CN=localhost"
    files = ["-keyout", folder / "key.pem", "-out", folder / "cert.pem", "-addext", "subjectAltName=DNS:localhost"]
    subprocess.run([openssl, *command.split(), *files], check=True, capture_output=True)
    (folder / "both.pem").write_text((folder / "key.pem").read_text() + (folder / "cert.pem").read_text())
    return folder / "both.pem"


@pytest.fixture
async def serve() -> AsyncIterator[Callable[..., Awaitable[tuple[Taking, int]]]]:
    running: list[asyncio.Server] = []

    async def start(**kwargs: Any) -> tuple[Taking, int]:
        taking, loop = Taking(), asyncio.get_running_loop()
        server = await loop.create_server(lambda: SMTP(taking, hostname="localhost", **kwargs), "127.0.0.1", 0)
        running.append(server)
        return taking, server.sockets[0].getsockname()[1]

    yield start
    for server in running:
        server.close()


@pytest.fixture
def box() -> Callable[..., Mailbox]:
    def make(port: int = 25, **changes: Any) -> Mailbox:
        values = {
            "name": "office",
            "host": "localhost",
            "port": port,
            "sender": "alertd@fleet.example",
            "recipients": ("night@fleet.example",),
            "security": "none",
        }
        return Mailbox(**{**values, **changes})

    return make


def _now_s() -> float:
    return datetime.now(UTC).timestamp()


async def test_a_mail_arrives_and_a_second_try_is_the_same_mail(serve, box, make_out) -> None:
    taking, port = await serve()
    channel = MailChannel(box(port, recipients=("a@fleet.example", "b@fleet.example")))
    out = make_out(text="PLAN TO CHAIN at Larch Lot, 06:40 MST.\n")
    await channel.send(out, _now_s())
    await channel.send(out, _now_s() + 600)
    (_, _, first), (_, _, second) = taking.taken
    assert first.rcpt_tos == ["a@fleet.example", "b@fleet.example"]
    assert first.content == second.content
    read = message_from_bytes(first.content, policy=default)
    assert read["message-id"] == "<ntc_0123456789abcdef0123456789abcdef@fleet.example>"
    assert read["auto-submitted"] == "auto-generated"
    assert read.get_content().splitlines() == ["PLAN TO CHAIN at Larch Lot, 06:40 MST."]
    assert parsedate_to_datetime(read["date"]) == out.created_at
    assert parsedate_to_datetime(read["expires"]) == out.expires_at


async def test_starttls_is_required_and_the_login_goes_over_it(serve, box, make_out, certificate: Path) -> None:
    server_tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server_tls.load_cert_chain(certificate)

    def login(server: Any, session: Any, envelope: Any, mechanism: str, data: Any) -> AuthResult:
        right = isinstance(data, LoginPassword) and (data.login, data.password) == (b"alertd", b"hunter2")
        return AuthResult(success=right, handled=False)

    taking, port = await serve(tls_context=server_tls, authenticator=login, auth_required=True)
    tls = ssl.create_default_context(cafile=str(certificate))
    good = box(port, security="starttls", user="alertd", password="hunter2")
    await MailChannel(good, tls=tls).send(make_out(), _now_s())
    assert [encrypted for encrypted, *_ in taking.taken] == [True]
    wrong = box(port, security="starttls", user="alertd", password="wrong-word")
    with pytest.raises(DeliveryError, match="535") as caught:
        await MailChannel(wrong, tls=tls).send(make_out(), _now_s())
    assert not caught.value.permanent  # a wrong password for an hour parks nothing
    assert "wrong-word" not in str(caught.value)


async def test_no_starttls_or_a_wrong_certificate_gets_no_mail(serve, box, make_out, certificate: Path) -> None:
    plain, plain_port = await serve()
    with pytest.raises(DeliveryError) as caught:
        await MailChannel(box(plain_port, security="starttls")).send(make_out(), _now_s())
    assert not caught.value.permanent
    server_tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server_tls.load_cert_chain(certificate)
    taking, port = await serve(tls_context=server_tls)
    with pytest.raises(DeliveryError, match=r"(?i)certificate"):
        await MailChannel(box(port, security="starttls")).send(make_out(), _now_s())
    assert plain.taken == taking.taken == []


@pytest.mark.parametrize(
    ("reply", "permanent"),
    [("450 mailbox busy", False), ("421 closing", False), ("550 no such user", True), ("554 refused", True)],
)
async def test_permanent_and_passing_replies(serve, box, make_out, reply: str, permanent: bool) -> None:
    """RFC 5321, 4.2.1: 4yz try again, 5yz do not."""
    taking, port = await serve()
    for at in ("night@fleet.example", "data"):
        taking.refuses = {at: reply}
        with pytest.raises(DeliveryError, match=f"answered {reply[:3]}") as caught:
            await MailChannel(box(port)).send(make_out(), _now_s())
        assert caught.value.permanent == permanent


async def test_one_refused_recipient_among_two_is_a_failure(serve, box, make_out) -> None:
    taking, port = await serve()
    taking.refuses = {"gone@fleet.example": "550 no such user"}
    two = box(port, recipients=("night@fleet.example", "gone@fleet.example"))
    with pytest.raises(DeliveryError, match=r"550: gone@fleet\.example"):
        await MailChannel(two).send(make_out(), _now_s())


async def test_a_server_that_stalls_ends_at_the_deadline(serve, box, make_out) -> None:
    taking, port = await serve()
    taking.stalls_s = 1.0
    with pytest.raises(DeliveryError, match=r"within 0\.3 s") as caught:
        await MailChannel(box(port), deadline_s=0.3).send(make_out(), _now_s())
    assert not caught.value.permanent


async def test_a_closed_port_is_tried_again(box, make_out) -> None:
    with pytest.raises(DeliveryError) as caught:
        await MailChannel(box(1)).send(make_out(), _now_s())
    assert not caught.value.permanent


@pytest.mark.parametrize("mark", ["\r\nBcc: thief@x.example", "\nBcc: t@x.example", "\r", "\u2028x", "\x00x", "\x85x"])
def test_no_text_makes_a_header_of_its_own(box, make_out, mark: str) -> None:
    out = make_out(text=f"Truck{mark} late", trip_id=f"T-1{mark}", notice_id=f"ntc_1{mark}")
    raw = make_message(box(), out, EmailContent()).as_bytes()
    read = message_from_bytes(raw, policy=default)
    known = {"From", "To", "Subject", "Date", "Message-ID", "Auto-Submitted", "Expires"}
    assert set(read.keys()) - known <= {"Content-Type", "Content-Transfer-Encoding", "MIME-Version"}
    assert read["to"] == "night@fleet.example"


def test_html_images_and_files_are_where_mail_programs_look(box, make_out) -> None:
    dress = EmailContent(
        html='<p>Road <img src="cid:road"></p>',
        attachments=(
            Attachment(filename="road.png", media_type="image/png", content=PNG, content_id="road"),
            Attachment(filename="plan.json", media_type="application/json", content=b"{}"),
        ),
    )
    read = message_from_bytes(make_message(box(), make_out(), dress).as_bytes(), policy=default)
    assert read.get_body(("plain",)).get_content().startswith("Be ready to chain")
    assert "cid:road" in read.get_body(("html",)).get_content()
    parts = {part.get_content_type(): part for part in read.walk()}
    assert (parts["image/png"]["content-id"], parts["image/png"].get_content()) == ("<road>", PNG)
    assert [part.get_filename() for part in read.iter_attachments()] == ["plan.json"]


def test_the_subject_is_the_first_words_and_short(make_out) -> None:
    assert subject(make_out(text="\n MORNING BRIEF  Example\n more", trip_id="")) == "MORNING BRIEF  Example"
    assert subject(make_out(text="HOLD", trip_id="T-9")) == "T-9: HOLD"
    assert len(subject(make_out(text="x" * 500))) == 120


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({"sender": "A Name <a@b.example>"}, "no mail address"),
        ({"recipients": ("a@b.example\r\nRCPT TO:<c@d.example>",)}, "no mail address"),
        ({"recipients": ()}, "nobody is named"),
        ({"user": "alertd", "password": "x"}, "unencrypted"),
    ],
)
def test_a_mailbox_that_cannot_be_used_is_refused_at_the_start(box, changes, problem: str) -> None:
    with pytest.raises(ConfigError, match=problem):
        MailChannel(box(**changes))


def test_a_reply_cannot_forge_a_log_line() -> None:
    assert str(smtp_error("office", 451, "later\r\nERROR forged \x1b[31m")).isprintable()
