"""Whether the kernel's clock is synchronised, as the machine's time service tells the kernel.

Linux clears that state at each step of the clock (`ntp_clear` in kernel/time/ntp.c), and after some nine hours without
a time service, when the greatest possible error passes 16 s. So a synchronised clock that has just jumped was set by a
time service. The layout is that of adjtimex(2), and the state is bit 0x40 of its status (linux/timex.h).
"""

import ctypes
import sys
from collections.abc import Callable
from typing import Final

from alertd.clock import Clock

STA_UNSYNC: Final = 0x0040
STA_NANO: Final = 0x2000
TIME_ERROR: Final = 5
_SAME_S: Final = 2.0


class _TimeVal(ctypes.Structure):
    _fields_ = (("seconds", ctypes.c_long), ("fraction", ctypes.c_long))


class Timex(ctypes.Structure):
    """struct timex, as on machines of 64 bits. `modes` 0 changes nothing and needs no privilege."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        *((name, ctypes.c_long) for name in ("offset", "freq", "maxerror", "esterror")),
        ("status", ctypes.c_int),
        *((name, ctypes.c_long) for name in ("constant", "precision", "tolerance")),
        ("time", _TimeVal),
        *((name, ctypes.c_long) for name in ("tick", "ppsfreq", "jitter")),
        ("shift", ctypes.c_int),
        *((name, ctypes.c_long) for name in ("stabil", "jitcnt", "calcnt", "errcnt", "stbcnt")),
        ("tai", ctypes.c_int),
        ("reserved", ctypes.c_int * 11),
    )


def ask_kernel(answer: Timex) -> int:
    """Fill `answer`; returns the result of adjtimex(2), -1 where it is refused or there is none."""
    if sys.platform != "linux" or ctypes.sizeof(ctypes.c_long) != ctypes.sizeof(ctypes.c_int64):
        return -1
    try:
        return int(ctypes.CDLL(None).adjtimex(ctypes.byref(answer)))
    except (AttributeError, OSError):
        return -1


def is_synchronised(clock: Clock, ask: Callable[[Timex], int] = ask_kernel) -> bool:
    """Whether a time service vouches for the time that `clock` shows; False where the kernel does not say so."""
    answer = Timex()
    result = ask(answer)
    if result < 0 or result == TIME_ERROR or answer.status & STA_UNSYNC:
        return False
    kernel_s = float(answer.time.seconds + answer.time.fraction / (1e9 if answer.status & STA_NANO else 1e6))
    # A library may show this process another time than the kernel's; the kernel says nothing of that one.
    return abs(clock().timestamp() - kernel_s) <= _SAME_S
