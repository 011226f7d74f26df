"""Whether this machine reaches any server, found before anybody waits for each of them."""

import socket
import threading
from typing import Final
from urllib.parse import urlsplit

from alertd.settings.model import Settings
from alertd.sources.providers.nws.forecast import NwsKeys

WAIT_S: Final = 3.0  # [A] a name server that answers does so within a second


def has_network(settings: Settings, *, wait_s: float = WAIT_S) -> bool:
    """True as soon as one of our servers' names is found; False when none is within the wait. They get nothing."""
    urls = (settings.overpass_url, settings.forecast.of(NwsKeys).nws_url)
    hosts = sorted({host for url in urls if (host := urlsplit(url).hostname)})
    found = threading.Event()

    def look_up(host: str) -> None:
        try:
            socket.getaddrinfo(host, None)
        except OSError:
            return
        found.set()

    threads = [threading.Thread(target=look_up, args=(host,), daemon=True) for host in hosts]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(wait_s)
    return found.is_set()
