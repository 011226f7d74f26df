"""The fleet's own systems, by signed HTTP POST after Standard Webhooks 1.0.0.

What is sent is the stored bytes, under the notice's own id on every try; only timestamp and signature are new. The
name is resolved and judged here, and the connection goes to the address that was judged, so that no second look-up can
lead elsewhere. A deadline covers the whole exchange, because a socket timeout starts anew with every byte received.
"""

import asyncio
import re
import socket
import ssl
from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from types import TracebackType
from typing import TYPE_CHECKING, Final, Literal, Self

from pydantic import Field, field_validator

import alertd
from alertd.delivery.address_policy import Network, denial_reason, is_listed, parse_network
from alertd.delivery.channel import ChannelGone, NoticeRejected, OutgoingNotice
from alertd.delivery.channel_spec import ChannelConfig, ChannelModel, ChannelSpec
from alertd.delivery.cloudevents import CONTENT_TYPE as ENVELOPED
from alertd.delivery.cloudevents import source_of, wrap
from alertd.delivery.standard_webhooks import headers as signature_headers
from alertd.delivery.standard_webhooks import read_secret
from alertd.errors import ConfigError, DeliveryError
from alertd.http_dates import parse_retry_after_s

if TYPE_CHECKING:
    import httpx

DEADLINE_S = 20.0
CONNECT_TIMEOUT_S = 5.0
MAX_BODY_BYTES = 64 * 1024  # what CloudEvents 1.0.2 intermediaries must forward; a receiver may refuse more
MAX_RESPONSE_BYTES = 4 * 1024
RESPONSE_BODY_TIMEOUT_S = 2.0
_TOKEN = re.compile(r"[A-Za-z0-9._~+/-]*=*")
_HOST = re.compile(r"[A-Za-z0-9._:-]+")
# A part of what `_read_url` takes: such an address needs no library to be read, and most are such.
_PLAIN_URL = re.compile(
    r"(?P<scheme>https?)://(127\.0\.0\.1|([a-z0-9-]{1,63}\.){0,9}[a-z][a-z0-9-]{0,62})"
    r"(:[1-9][0-9]{0,3})?(/[A-Za-z0-9._~/-]{0,999})?"
)
_NOTICE_ERRORS = frozenset({400, 413, 415, 422})

Resolve = Callable[[str, int], Awaitable[Sequence[str]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Endpoint:
    """Where to and how. `secrets` newest first: several while a secret is being changed, each signs.

    `allow_networks`: private addresses that the operator lets this endpoint have; they may also go without https.
    `source`: of its CloudEvents, "" for an endpoint that gets the plain body. `token`: sent as a bearer's, "" for none.
    """

    name: str
    url: str
    secrets: tuple[str, ...]
    allow_networks: tuple[Network, ...] = ()
    source: str = ""
    token: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """A receiver's answer: its status, and the start of its body in one printable line."""

    status: int
    text: str


class WebhookChannel:
    """One endpoint. Use as an async context manager, or call `aclose` at the end."""

    def __init__(
        self,
        endpoint: Endpoint,
        *,
        resolve: Resolve | None = None,
        transport: "httpx.AsyncBaseTransport | None" = None,
        tls: ssl.SSLContext | None = None,
        deadline_s: float = DEADLINE_S,
    ) -> None:
        """Raises ConfigError when the URL or a secret of the endpoint cannot be used."""
        import httpx  # in each place of use, because settings without a webhook do not need it

        self._name = endpoint.name
        self._url = _read_url(endpoint.url, endpoint.name, "url", private=bool(endpoint.allow_networks))
        self._host = self._url.raw_host.decode()  # as it goes over the wire, an international name in its ASCII form
        if not endpoint.secrets:
            raise ConfigError(endpoint.name, "secrets", "no secret to sign with", "give at least one whsec_ secret")
        self._keys = tuple(read_secret(text, where=endpoint.name, field="secrets") for text in endpoint.secrets)
        if not _TOKEN.fullmatch(endpoint.token):
            mend = "write one line of letters, digits and -._~+/= there"
            raise ConfigError(endpoint.name, "token_file", "holds what no header can carry", mend)
        self._allow, self._source = endpoint.allow_networks, endpoint.source
        self._resolve = resolve or _resolve
        self._deadline_s = deadline_s
        # A client of its own: pooled connections are kept by address, and the certificate was checked for this name.
        self._client = httpx.AsyncClient(
            transport=transport,
            verify=tls or ssl.create_default_context(),
            trust_env=False,  # no proxy and no .netrc from the environment may see a notice
            follow_redirects=False,
            timeout=httpx.Timeout(deadline_s, connect=min(CONNECT_TIMEOUT_S, deadline_s)),
            # No connection is kept: one that the other end closed meanwhile would fail a notice, and many endpoints
            # would hold more of them than a process may have open.
            limits=httpx.Limits(max_keepalive_connections=0),
            headers={
                "user-agent": f"alertd/{alertd.__version__}",
                "accept-encoding": "identity",
                **({"authorization": f"Bearer {endpoint.token}"} if endpoint.token else {}),
            },
        )

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, tb: TracebackType | None
    ) -> None:
        await self.aclose()

    async def aclose(self) -> None:
        await self._client.aclose()

    async def send(self, outgoing: OutgoingNotice, now_epoch_s: float) -> None:
        """Return on a 2xx answer. Raises DeliveryError otherwise, TargetGone on 410."""
        await self.ask(outgoing, now_epoch_s)

    async def ask(self, outgoing: OutgoingNotice, now_epoch_s: float) -> Reply:
        """Send as `send` does, and return the 2xx answer."""
        body = wrap(outgoing, self._source) if self._source else outgoing.body
        if len(body) > MAX_BODY_BYTES:
            problem = f"the notice has {len(body)} bytes, more than {MAX_BODY_BYTES}"
            raise DeliveryError(self._name, problem, permanent=True)
        signed = {
            "content-type": ENVELOPED if self._source else "application/json",
            **signature_headers(self._keys, outgoing.notice_id, int(now_epoch_s), body),
        }
        return await self.exchange(body, signed, now_epoch_s)

    async def exchange(self, body: bytes, headers: dict[str, str], now_epoch_s: float) -> Reply:
        """POST these bytes within the deadline; return a 2xx answer. Raises DeliveryError otherwise."""
        import httpx

        try:
            async with asyncio.timeout(self._deadline_s):
                return await self._exchange(body, headers, now_epoch_s)
        except TimeoutError as exc:
            raise DeliveryError(self._name, f"no full answer within {self._deadline_s:g} s") from exc
        except httpx.HTTPError as exc:
            raise DeliveryError(self._name, f"{type(exc).__name__}: {_printable(str(exc))}") from exc

    async def _exchange(self, body: bytes, signed: dict[str, str], now_epoch_s: float) -> Reply:
        import httpx

        *others, last = await self._allowed_addresses()
        for address in others:
            # Nothing has been sent when a connection fails: the next address may be tried at once.
            with suppress(httpx.ConnectError, httpx.ConnectTimeout):
                return await self._post(body, signed, now_epoch_s, address)
        return await self._post(body, signed, now_epoch_s, last)

    async def _post(self, body: bytes, signed: dict[str, str], now_epoch_s: float, address: str) -> Reply:
        request = self._client.build_request(
            "POST",
            self._url.copy_with(host=address),
            content=body,
            headers={"host": self._url.netloc.decode(), **signed},
            # The certificate is asked for and checked under the name, though the connection goes to the address.
            extensions={"sni_hostname": self._host},
        )
        response = await self._client.send(request, stream=True)
        try:
            reply = await _start_of_body(response)
        finally:
            await response.aclose()
            self._client.cookies.clear()
        if not response.is_success:
            raise _delivery_error(self._name, response, reply, now_epoch_s)
        return Reply(status=response.status_code, text=reply)

    async def _allowed_addresses(self) -> Sequence[str]:
        host, port = self._host, self._url.port or (443 if self._url.scheme == "https" else 80)
        try:
            addresses = await self._resolve(host, port)
        except (OSError, UnicodeError) as exc:
            raise DeliveryError(self._name, f"{host} has no address: {exc}") from exc
        if not addresses:
            raise DeliveryError(self._name, f"{host} has no address")
        for address in addresses:
            if is_listed(address, self._allow):
                continue
            if refused := denial_reason(address):
                raise DeliveryError(self._name, f"{host}: {refused}; if it is yours, allow its network")
            if self._url.scheme == "http":
                raise DeliveryError(self._name, f"{host}: {address} is public and may be called by https only")
        return addresses


def retry_after_s(value: str | None, now_epoch_s: float) -> float | None:
    """What a `Retry-After` header asks; None when it is no answer, or a date gone by."""
    wait_s = parse_retry_after_s(value, datetime.fromtimestamp(now_epoch_s, UTC))
    return wait_s if wait_s is not None and wait_s >= 0 else None


async def _resolve(host: str, port: int) -> Sequence[str]:
    found = await asyncio.get_running_loop().getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(sockaddr[0]) for *_, sockaddr in found))


def _read_url(text: str, where: str, field: str, *, private: bool) -> "httpx.URL":
    """private: whether private networks are allowed, where http serves too. Raises ConfigError."""
    import httpx

    mend = "write it as https://host/path"
    try:
        url = httpx.URL(text)
    except httpx.InvalidURL as exc:
        raise ConfigError(where, field, f"cannot be read ({exc})", mend) from exc
    sound = _HOST.fullmatch(url.raw_host.decode()) and (url.port is None or 0 < url.port <= 65535)
    if url.scheme not in ("https", "http") or not sound:
        raise ConfigError(where, field, f"{text!r} is not a web address", mend)
    if url.userinfo:
        raise ConfigError(where, field, "names a user before the host", mend)
    if url.fragment:
        raise ConfigError(where, field, "has a part after #, which is never sent", mend)
    if url.scheme == "http" and not private:
        raise ConfigError(where, field, "is not https", f"{mend}, or allow the private network it lies in")
    return url


async def _start_of_body(response: "httpx.Response") -> str:
    """What the other side says, for the note. The status is known: a body that stalls changes nothing."""
    import httpx

    read = bytearray()
    with suppress(TimeoutError, httpx.HTTPError):
        async with asyncio.timeout(RESPONSE_BODY_TIMEOUT_S):
            async for chunk in response.aiter_raw():  # raw: nothing is unpacked, so nothing can swell
                read += chunk
                if len(read) >= MAX_RESPONSE_BYTES:
                    break
    return _printable(bytes(read[:MAX_RESPONSE_BYTES]).decode(errors="replace"))


def _delivery_error(name: str, response: "httpx.Response", reply: str, now_epoch_s: float) -> DeliveryError:
    import httpx

    status = response.status_code
    problem = f"answered {status}" + (f": {reply}" if reply else "")
    if status == httpx.codes.GONE:
        return ChannelGone(name, problem)
    asked_s = None
    if status in (httpx.codes.TOO_MANY_REQUESTS, httpx.codes.SERVICE_UNAVAILABLE):
        asked_s = retry_after_s(response.headers.get("retry-after"), now_epoch_s)
    if status in _NOTICE_ERRORS:
        return NoticeRejected(name, problem)
    return DeliveryError(name, problem, retry_after_s=asked_s)


def _printable(text: str) -> str:
    # Control characters out: another's words must not forge lines in our log.
    return "".join(letter if letter.isprintable() else " " for letter in text)[:120].strip()


class WebhookFile(ChannelModel):
    """The section [[webhook]]."""

    url: str = Field(examples=["https://fleet.example/alertd"])
    secret_file: str = Field(examples=["secrets/tms.txt"])
    envelope: Literal["plain", "cloudevents"] = "plain"
    token_file: str = ""
    allow_networks: list[str] = Field(default_factory=list)

    @field_validator("allow_networks")
    @classmethod
    def _are_networks(cls, value: list[str]) -> list[str]:
        try:
            for text in value:
                parse_network(text)
        except ValueError as exc:
            raise ValueError(f'{exc}; write e.g. ["10.0.0.0/8"]') from None
        return value


def endpoint_of(config: ChannelConfig[WebhookFile]) -> Endpoint:
    """The endpoint of a section. Raises ConfigError for a secret that does not fit the standard."""
    settings = config.settings
    secrets = tuple(config.secret("secret_file").split())
    for secret in secrets:
        read_secret(secret, where=config.where, field=f"{config.field}.secret_file: {settings.secret_file}")
    return Endpoint(
        name=settings.name,
        url=settings.url,
        secrets=secrets,
        allow_networks=tuple(parse_network(text) for text in settings.allow_networks),
        source=source_of(config.fleet) if settings.envelope == "cloudevents" else "",
        token=config.secret("token_file"),
    )


def _check_url(config: ChannelConfig[WebhookFile]) -> None:
    settings = config.settings
    plain = _PLAIN_URL.fullmatch(settings.url)
    if plain and (plain["scheme"] == "https" or settings.allow_networks):
        return
    _read_url(settings.url, config.where, f"{config.field}.url", private=bool(settings.allow_networks))


SPEC: Final = ChannelSpec(
    section="webhook",
    settings_model=WebhookFile,
    secrets=("secret_file", "token_file"),
    check=endpoint_of,
    check_keys=_check_url,
    open=lambda config, tools: WebhookChannel(endpoint_of(config), tls=tools.tls),
)
