"""Says on a terminal that a command of more than two seconds is at work."""

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

import click

AFTER_S: Final = (2.0, 10.0, 30.0, 60.0, 120.0, 300.0, 600.0)
# These print as they go, wait for a person, or run until they are stopped.
OWN_OUTPUT: Final = frozenset({"demo", "init", "rehearse", "run", "watch"})


@contextmanager
def progress_of(command: str, *, after_s: tuple[float, ...] = AFTER_S) -> Iterator[None]:
    """Print a line on standard error at each of these times while the block runs, on a terminal only.

    A program that reads standard error gets nothing but errors.
    """
    if command in OWN_OUTPUT or not sys.stderr.isatty():
        yield
        return
    ended = threading.Event()

    def report() -> None:
        last_s = 0.0
        for at_s in after_s:
            if ended.wait(at_s - last_s):
                return
            last_s = at_s
            click.echo(f"alertd {command}: at work for {at_s:g} s; Ctrl-C stops it", err=True)

    thread = threading.Thread(target=report, daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()
