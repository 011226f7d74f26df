"""Limits the HTTP server's connections: in total, per address, and by free file descriptors.

Connections are counted when accepted, before anything is read: each costs a descriptor, and a process without one
cannot open its store. When the limit is reached, the connection that has waited longest for its client's request is
closed for the new one. A flood of incomplete requests therefore does not block a short request, such as a health probe.
A complete request is never closed for another connection.
"""

import errno
import os
import resource
import socket
import struct
import weakref
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Final, Self

from alertd.sources.http.client import is_loopback
from alertd.web.counted_log import Tally
from alertd.web.rate_limit import network_of

MOST_CONNECTIONS: Final = 500
MOST_OF_ONE_ADDRESS: Final = 100  # not for loopback, where a proxy brings all clients
BACKLOG: Final = 128  # most connections accepted in one turn of the event loop
RESERVED: Final = 256  # descriptors for the store, forecasts, deliveries, and connections being closed
MOST_DESCRIPTORS: Final = 65_536  # more would only cost memory
CLOSED_FOR_WANT: Final = 32  # connections closed at a time when another part of the process took the last descriptor
_NO_ROOM: Final = (errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM)
_RESET_ON_CLOSE: Final = struct.pack("ii", 1, 0)  # zero SO_LINGER: close resets the connection


def raise_descriptor_limit() -> int:
    """Raise the process's soft limit of open files towards its hard limit; returns the resulting limit."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = MOST_DESCRIPTORS if hard == resource.RLIM_INFINITY else min(hard, MOST_DESCRIPTORS)
    if soft == resource.RLIM_INFINITY or soft >= wanted:
        return MOST_DESCRIPTORS if soft == resource.RLIM_INFINITY else soft
    try:
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))
    except (OSError, ValueError):  # some systems have a lower limit than they report
        return soft
    return wanted


def most_connections(descriptors_n: int) -> int:
    """The number of connections that leaves enough descriptors for the rest of the daemon."""
    return max(1, min(MOST_CONNECTIONS, max(descriptors_n - RESERVED - 2 * BACKLOG, descriptors_n // 4)))


class Gate:
    """Counts open connections. `waits` and `works` mark which of them wait for their client."""

    def __init__(self, most: int = MOST_CONNECTIONS, most_of_one: int = MOST_OF_ONE_ADDRESS) -> None:
        self._most, self._most_of_one = most, min(most, most_of_one)
        self._of: Counter[str] = Counter()
        self.open_n = 0
        # Both in the order in which the connections began to wait.
        self._waiting: dict[object, tuple[str, Callable[[], None]]] = {}
        self._waiting_of: dict[str, dict[object, None]] = {}
        self.refused = Tally("connections refused or closed to make room")

    def admit(self, address: str) -> Callable[[], None] | None:
        """Count a new connection; returns a function to call at its end, or None when the limit is reached."""
        key = network_of(address)
        crowded = not is_loopback(key) and self._of[key] >= self._most_of_one
        if (crowded or self.open_n >= self._most) and not self._make_room(key if crowded else ""):
            self.refused.count(f"over {self._most_of_one} of one address" if crowded else f"over {self._most} in all")
            return None
        self.open_n += 1
        self._of[key] += 1
        return lambda: self._left(key)

    def waits(self, connection: object, address: str, abort: Callable[[], None]) -> None:
        """Mark a connection as waiting for its client; it keeps its place in the order."""
        if connection not in self._waiting:
            key = network_of(address)
            self._waiting[connection] = (key, abort)
            self._waiting_of.setdefault(key, {})[connection] = None

    def works(self, connection: object) -> None:
        """Mark a connection as having a complete request, or as closed."""
        key, _ = self._waiting.pop(connection, ("", None))
        of_one = self._waiting_of.get(key, {})
        of_one.pop(connection, None)
        if not of_one:
            self._waiting_of.pop(key, None)

    def give_back(self, most: int) -> None:
        """Close up to `most` of the longest-waiting connections, because the process has no free descriptor."""
        for _ in range(most):
            if not self._make_room(""):
                return

    def _left(self, key: str) -> None:
        self.open_n -= 1
        self._of[key] -= 1
        if not self._of[key]:
            del self._of[key]

    def _make_room(self, key: str) -> bool:
        """Close the longest-waiting connection, of one address when `key` names it."""
        oldest = next(iter(self._waiting_of.get(key, {}) if key else self._waiting), None)
        if oldest is None:
            return False
        _, abort = self._waiting[oldest]
        self.works(oldest)
        self.refused.count("closed for newer ones while they sent no whole request")
        abort()
        return True


class GuardedListener(socket.socket):
    """A listening socket that accepts the connections its gate admits and resets the others.

    Without a free descriptor it uses a spare one to accept and reset the next connection. asyncio would log thousands
    of lines per second instead.
    """

    gate: Gate
    _spare: int | None

    @classmethod
    def over(cls, listener: socket.socket, gate: Gate) -> Self:
        """A second socket on the same port; closing it leaves `listener` open."""
        own = cls(listener.family, listener.type, listener.proto, fileno=os.dup(listener.fileno()))
        own.gate, own._spare = gate, os.open(os.devnull, os.O_RDONLY | os.O_CLOEXEC)
        return own

    def accept(self) -> tuple[socket.socket, Any]:
        """The next admitted connection. Raises BlockingIOError when none waits, or after many refusals."""
        for _ in range(BACKLOG):
            taken = self._take()
            if taken is not None:
                return taken
        raise BlockingIOError(errno.EAGAIN, "many connections refused; yielding to the event loop")

    def close(self) -> None:
        self._give_up_spare()
        super().close()

    def _take(self) -> tuple[socket.socket, Any] | None:
        try:
            accepted, address = super().accept()
        except OSError as exc:
            if exc.errno not in _NO_ROOM:
                raise
            self.gate.refused.count("for want of descriptors")
            self.gate.give_back(CLOSED_FOR_WANT)
            self._refuse_with_spare()
            return None
        left = self.gate.admit(str(address[0]))
        if left is None:
            _reset(accepted)
            return None
        counted = _Counted(accepted.family, accepted.type, accepted.proto, fileno=accepted.detach())
        counted.left = weakref.finalize(counted, left)
        return counted, address

    def _refuse_with_spare(self) -> None:
        if self._spare is None:  # another thread took it
            self._take_spare()
            raise BlockingIOError(errno.EAGAIN, "no descriptor is free")
        self._give_up_spare()
        try:
            _reset(super().accept()[0])
        except OSError as exc:
            raise BlockingIOError(errno.EAGAIN, "no descriptor is free") from exc
        finally:
            self._take_spare()

    def _give_up_spare(self) -> None:
        spare, self._spare = self._spare, None
        if spare is not None:
            os.close(spare)

    def _take_spare(self) -> None:
        try:
            self._spare = os.open(os.devnull, os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            self._spare = None


class _Counted(socket.socket):
    """An admitted connection; its gate counts it until its descriptor is free."""

    left: Callable[[], object]

    def close(self) -> None:
        super().close()
        self.left()


def _reset(connection: socket.socket) -> None:
    with suppress(OSError):  # the client may have closed it already
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET_ON_CLOSE)
    connection.close()
