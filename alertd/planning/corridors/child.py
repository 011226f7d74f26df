"""A process that plans roads for its parent: frames on stdin, frames on stdout.

Run as `python -m alertd.planning.corridors.child ROADS_KEPT FOLDER`; the folder is that of `FieldShelf`, or empty. A
frame is its length in eight bytes, then a letter and the content: `G` what all plans share, `F` the field of the next
job's road, `J` a job, answered by a `P` for each group of its trips and an `E` at the end. It ends when its parent
does, which closes stdin; signals to stop it ignores, since they reach the parent too.
"""

import logging
import os
import signal
import sys
from pathlib import Path
from typing import BinaryIO, Final

from alertd.memory import release_memory, release_when_large
from alertd.planning.corridors.answer import answer_job
from alertd.planning.corridors.field_shelf import FieldShelf
from alertd.planning.corridors.transfer import RouteCache, ground_from_bytes
from alertd.planning.corridors.value_bytes import value_to_bytes

LENGTH_BYTES: Final = 8


class _Collected(logging.Handler):
    """Log records as (logger, level, text), for the parent's log."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.rows: list[tuple[str, int, str]] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.rows.append((record.name, record.levelno, self.format(record)))

    def take(self) -> tuple[tuple[str, int, str], ...]:
        rows, self.rows = self.rows, []
        return tuple(rows)


def main() -> None:
    """Answer jobs until stdin ends."""
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    roads_kept, folder = int(sys.argv[1]), sys.argv[2]
    shelf = FieldShelf(Path(folder)) if folder else None
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # what a library prints is no frame
    collected = _Collected()
    logging.getLogger().addHandler(collected)
    routes, ground, field = RouteCache(), None, b""
    while frame := read_frame(sys.stdin.buffer):
        letter, content = frame[:1], frame[1:]
        if letter == b"G":
            ground = ground_from_bytes(content, roads_kept, shelf)
            release_memory()  # later searches leave out all modules and reference data
        elif letter == b"F":
            field = content
        elif ground is None:
            raise ValueError("a job came before the reference data")
        else:
            for group in answer_job(content, ground, routes, field):
                write_frame(answers, b"P" + group)
            write_frame(answers, b"E" + value_to_bytes(collected.take()))
            field = b""
            release_when_large()


def read_frame(file: BinaryIO) -> bytes:
    """The content of the next frame; empty at the end of the file."""
    head = file.read(LENGTH_BYTES)
    return file.read(int.from_bytes(head)) if len(head) == LENGTH_BYTES else b""


def write_frame(file: BinaryIO, content: bytes) -> None:
    """Write one frame."""
    file.write(len(content).to_bytes(LENGTH_BYTES))
    file.write(content)
    file.flush()


if __name__ == "__main__":
    main()
