"""Texting and chat services, by the Apprise library and a URL that is kept in a secret file.

The library says only whether it worked, so every failure is tried again. It blocks, so it runs in a thread; the URL
holds tokens, so no word of the library's reaches a note or log before the URL's parts are taken out.
"""

import asyncio
import logging
import re
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from types import TracebackType
from typing import Final, Self
from urllib.parse import unquote

from pydantic import Field

from alertd.delivery.channel import OutgoingNotice
from alertd.delivery.channel_spec import ChannelConfig, ChannelModel, ChannelSpec
from alertd.errors import ConfigError, DeliveryError
from alertd.notices.text import gsm7

DEADLINE_S = 20.0
THREADS_N = 2  # a service that hangs holds these and no more
MAX_SEGMENTS = 2
# What acts on the daemon's own machine or desktop instead of reaching a person elsewhere.
LOCAL_SCHEMES = frozenset(
    {"file", "syslog", "windows", "dbus", "glib", "qt", "kde", "gnome", "macosx", "growl", "exec", "script", "smpp"}
)
_MIN_SECRET_LENGTH = 4  # shorter parts of a URL are words such as "sms" that a message may well hold
_LIBRARY = "apprise"

Notify = Callable[[str], bool]


class GatewayChannel:
    """One URL. `sms` holds every text to two GSM-7 messages, as a phone would be billed for."""

    def __init__(
        self, name: str, url: str, *, sms: bool = True, notify: Notify | None = None, deadline_s: float = DEADLINE_S
    ) -> None:
        """`notify` stands in for the library. Raises ConfigError when the URL or the library cannot be used."""
        self._name, self._sms, self._deadline_s = name, sms, deadline_s
        self._secrets = _secrets(url)
        self._notify = notify or _library(name, url)
        self._threads = ThreadPoolExecutor(THREADS_N, thread_name_prefix=f"gateway-{name}")

    async def aclose(self) -> None:
        self._threads.shutdown(wait=False, cancel_futures=True)

    async def send(self, outgoing: OutgoingNotice, now_epoch_s: float) -> None:
        """Return when the service took it. Raises DeliveryError otherwise; permanent when the text is too long."""
        text = outgoing.text.rstrip("\n")
        if self._sms:
            text = gsm7.to_gsm7(text)
            if gsm7.segments(text) > MAX_SEGMENTS:
                problem = f"the text takes {gsm7.segments(text)} messages, more than {MAX_SEGMENTS}"
                raise DeliveryError(self._name, problem, permanent=True)
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(self._deadline_s):
                took, reply = await loop.run_in_executor(self._threads, self._notify_once, text)
        except TimeoutError as exc:
            raise DeliveryError(self._name, f"no answer within {self._deadline_s:g} s") from exc
        except Exception as exc:
            # Any library's: it may quote the URL, so neither it nor its cause is shown.
            problem = f"{type(exc).__name__}: {self._redacted(str(exc))}"
            raise DeliveryError(self._name, problem) from None
        if not took:
            raise DeliveryError(self._name, self._redacted(reply) or "the service did not take it")

    def _notify_once(self, text: str) -> tuple[bool, str]:
        with _LogCapture() as reply:
            return self._notify(text), reply.last

    def _redacted(self, text: str) -> str:
        for secret in self._secrets:
            text = text.replace(secret, "***")
        return "".join(letter if letter.isprintable() else " " for letter in text)[:120].strip()


def _library(name: str, url: str) -> Notify:
    try:
        import apprise
    except ImportError as exc:
        mend = "pip install apprise"
        raise ConfigError(name, "", "gateways need a library that is not installed", mend) from exc
    scheme = url.partition("://")[0].lower()
    if scheme in LOCAL_SCHEMES:
        mend = "name a service that reaches a person elsewhere"
        raise ConfigError(name, "url_file", f"{scheme}:// stays on this machine", mend)
    target = apprise.Apprise.instantiate(url, suppress_exceptions=True)
    if target is None:
        mend = "write it as the library's documentation of that service says, on one line"
        raise ConfigError(name, "url_file", f"the {scheme}:// URL in it cannot be used", mend)
    notifier = apprise.Apprise()
    notifier.add(target)
    return lambda text: bool(notifier.notify(body=text, body_format=apprise.NotifyFormat.TEXT))


def _secrets(url: str) -> tuple[str, ...]:
    """Every part of the URL that may be a secret, as written and decoded, longest first."""
    parts = re.split(r"[/?&=@:]+", url.partition("://")[2])
    found = {form for part in parts for form in (part, unquote(part)) if len(form) >= _MIN_SECRET_LENGTH}
    return tuple(sorted({url, *found}, key=len, reverse=True))


class _LogCapture(logging.Handler):
    """The library says why in its log only: what this thread makes it say, while it stands in `with`."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self._thread, self.last = threading.get_ident(), ""

    def emit(self, record: logging.LogRecord) -> None:
        if record.thread == self._thread:
            self.last = record.getMessage()

    def __enter__(self) -> Self:
        log = logging.getLogger(_LIBRARY)
        log.propagate = False  # it may hold the URL, so it goes to no log of ours
        log.addHandler(self)
        return self

    def __exit__(self, kind: type[BaseException] | None, exc: BaseException | None, tb: TracebackType | None) -> None:
        logging.getLogger(_LIBRARY).removeHandler(self)


class GatewayFile(ChannelModel):
    """The section [[gateway]]. `sms`: texts are held to what a phone is billed as two messages."""

    url_file: str = Field(min_length=1, examples=["secrets/texts.txt"])
    sms: bool = True


def _url(config: ChannelConfig[GatewayFile]) -> str:
    """The one URL in the secret file. Raises ConfigError."""
    url = config.secret("url_file")
    if len(url.split()) != 1:
        field = f"{config.field}.url_file"
        raise ConfigError(config.where, field, "does not hold one URL", "write one URL on one line there")
    return url


SPEC: Final = ChannelSpec(
    section="gateway",
    settings_model=GatewayFile,
    secrets=("url_file",),
    check=_url,
    open=lambda config, _tools: GatewayChannel(config.name, _url(config), sms=config.settings.sms),
)
