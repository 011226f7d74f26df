"""The names that requests may use for this daemon, and whether a request comes from this machine.

A page of another site can send a browser to this machine by a name that the other site owns (DNS rebinding). Its
requests show that name as Host. Every path is checked, health too: a health probe uses an address or a name that is
allowed anyway, and one rule without exceptions is easier to verify.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from ipaddress import ip_address
from typing import Final
from urllib.parse import urlsplit

from fastapi import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from alertd.settings.model import Settings
from alertd.sources.http.client import is_loopback
from alertd.web.problems import ProblemError, problem

_HOST: Final = re.compile(r"(?:\[([0-9A-Fa-f:.]+)\]|([A-Za-z0-9._-]+))(?::\d{0,5})?")  # RFC 9110 section 7.2
# Headers that proxies add to forwarded requests (RFC 7239, RFC 9110 section 7.6.3, and common practice).
_FORWARDED: Final = ("forwarded", "via", "x-real-ip")
_FORWARDED_PREFIX: Final = "x-forwarded-"


@dataclass(frozen=True, slots=True)
class Hosts:
    """Allowed names besides loopback. any_address: every IP address is allowed too.

    DNS rebinding needs a name, so an address as Host is safe. A daemon that listens on all addresses of its machine
    cannot list them behind a container's network, and allows them all.
    """

    names: frozenset[str]
    any_address: bool = False

    def allow(self, name: str) -> bool:
        return is_loopback(name) or name in self.names or (self.any_address and _is_address(name))


def hosts_of(settings: Settings) -> Hosts:
    """The hosts allowed by the settings: http_host, the host of public_url, and http_names."""
    public = urlsplit(settings.public_url).hostname or ""
    named = (settings.http_host, public, *settings.http_names)
    everywhere = settings.http_host in ("", "*") or (
        _is_address(settings.http_host) and ip_address(settings.http_host).is_unspecified
    )
    return Hosts(names=frozenset(_plain(name) for name in named if name), any_address=everywhere)


class HostCheck:
    """ASGI middleware: answers 421 to a foreign Host, 400 to a missing or repeated one."""

    def __init__(self, app: ASGIApp, *, hosts: Hosts) -> None:
        self._app, self._hosts = app, hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        name = host_of(scope["headers"])
        if name is None:
            refused = ProblemError(400, "no valid Host", "send one Host header with a name or an address")
            await problem(refused)(scope, receive, send)
        elif not self._hosts.allow(name):
            mend = "use the name of daemon.public_url, or add this name to daemon.http_names"
            await problem(ProblemError(421, "not a name of this daemon", mend))(scope, receive, send)
        else:
            await self._app(scope, receive, send)


def host_of(headers: Iterable[tuple[bytes, bytes]]) -> str | None:
    """The lower-case host name of a single valid Host header, without port; None otherwise."""
    sent = [value for key, value in headers if key == b"host"]
    if len(sent) != 1:
        return None
    matched = _HOST.fullmatch(sent[0].decode("latin-1").strip())
    return None if matched is None else _plain(matched[1] or matched[2])


def from_here(request: Request) -> bool:
    """Whether a program on this machine sent the request directly: to a loopback name, without a known proxy."""
    headers = request.scope["headers"]
    name = host_of(headers)
    keys = {key.decode("latin-1").lower() for key, _ in headers}
    passed_on = any(key in _FORWARDED or key.startswith(_FORWARDED_PREFIX) for key in keys)
    peer = request.client.host if request.client else ""
    return name is not None and is_loopback(name) and is_loopback(peer) and not passed_on


def _plain(name: str) -> str:
    bare = name.removeprefix("[").removesuffix("]")
    return str(ip_address(bare)) if _is_address(bare) else bare.lower().removesuffix(".")


def _is_address(name: str) -> bool:
    try:
        ip_address(name)
    except ValueError:
        return False
    return True
