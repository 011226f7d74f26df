"""Cut the power of the store at every kind of moment, on a disk that is rebuilt from a record of its writes.

    python tests/benchmarks/power_cut.py                      # 300 cuts, each in three ways
    python tests/benchmarks/power_cut.py --control fsync      # every fsync ignored: must fail
    python tests/benchmarks/power_cut.py --control folder     # only those of the folder ignored: must fail

A child process decides notices, with plans and without, and delivers them by the daemon's store and worker, with every
open, write, truncate, sync, unlink and rename of the store's folder recorded by `power_cut_recorder.c`. At each cut the
folder is rebuilt as a power failure may leave it: what was not synced is lost, kept, or torn: each sector of 512 bytes
and each truncate by itself, names (files made, removed) up to a random point of their order. Then the store is opened
by alertd's own code. Checked: it opens and passes `integrity_check` and `foreign_key_check`; every notice whose
`record_*` had returned is there with its bytes; a delivery marked done had reached its receiver; and after delivery
every decided notice has reached the receiver, with one content for one id. Ends with 1 where a check fails, and with 77
where the machine has no C compiler.
"""

import argparse
import asyncio
import hashlib
import os
import random
import shutil
import sqlite3
import struct
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

HERE: Final = Path(__file__).resolve()
SECTOR_BYTES: Final = 512  # the smallest unit that a disk writes whole
WAYS: Final = ("lost", "kept", "torn")
START: Final = datetime(2027, 1, 14, tzinfo=UTC)
NO_COMPILER: Final = 77
STORE, MARKS = "alertd.db", "marks"  # marks: what the outside has seen, in the order of the record


class NoCompilerError(Exception):
    """The recorder cannot be built on this machine."""


def build_recorder(folder: Path) -> Path:
    """Compile the recorder into `folder`. Raises NoCompilerError with the reason."""
    compiler = next((found for name in ("cc", "gcc", "clang") if (found := shutil.which(name))), None)
    if compiler is None or not sys.platform.startswith("linux"):
        raise NoCompilerError("no C compiler (cc, gcc, clang) on this machine, or no Linux")
    library = folder / "recorder.so"
    source = HERE.with_name("power_cut_recorder.c")
    command = [compiler, "-shared", "-fPIC", "-O2", "-o", str(library), str(source), "-ldl", "-lpthread"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise NoCompilerError(f"{compiler} cannot build the recorder: {done.stderr.strip()[:300]}")
    return library


# The child: what the daemon does to its store, with a mark of each thing that the outside saw.


class MarkingReceiver:
    """Writes down what it got before it answers."""

    def __init__(self, mark: Any, draw: random.Random) -> None:
        self._mark, self._draw = mark, draw

    async def send(self, outgoing: Any, now_epoch_s: float) -> None:
        from alertd.errors import DeliveryError

        if self._draw.random() < 0.2:
            raise DeliveryError("hook", "answers 503")
        self._mark(f"got {outgoing.notice_id} {digest(outgoing.body)}")


def digest(body: bytes | str) -> str:
    return hashlib.sha256(body.encode() if isinstance(body, str) else body).hexdigest()


async def child(folder: Path, rounds_n: int, seed: int) -> None:
    """Decide a notice or two a round, deliver now and then, renew the lead, clear old records."""
    from alertd.delivery.worker import DeliveryWorker
    from alertd.notices.model import Audience
    from alertd.store.rows import StoredTrip
    from alertd.store.store import Store

    draw = random.Random(seed)
    marks = os.open(folder / MARKS, os.O_WRONLY | os.O_CREAT | os.O_APPEND)

    def mark(text: str) -> None:
        os.write(marks, f"{text}\n".encode())

    with Store(folder / STORE) as store:
        candidate = store.candidate("child", lease_s=15.0)
        candidate.acquire(0.0, START)
        worker = DeliveryWorker(store.outbox, {"hook": MarkingReceiver(mark, draw)}, owner="child", rng=draw)
        for trip in ("trip-1", "trip-2"):
            store.put_trip(StoredTrip(id=trip, body="{}", created_at=START))
        for n in range(rounds_n):
            now = START + timedelta(minutes=5 * n)
            trip = f"trip-{1 + n % 2}"
            new = [_notice(n * 2 + k, trip, now, "x" * draw.randint(10, 9000)) for k in range(1 + n % 2)]
            targets = {Audience.FLEET: ["hook"]}
            if n % 2:
                store.record_plan(f"plan-{n}", trip, now, "{" + "p" * draw.randint(10, 20_000) + "}", new, targets)
            else:
                store.record_notices(new, targets, now)
            for notice in new:
                mark(f"decided {notice.id} {digest(notice.body)}")
            candidate.renew()
            if n % 3 == 2:
                await worker.deliver_due(now)
            if n % 10 == 9:  # frees pages, so that the file shrinks and pages are used again
                store.pruning.plans(now - timedelta(hours=1))
        candidate.release()


def _notice(number: int, trip: str, now: datetime, filler: str) -> Any:
    from alertd.notices.model import Audience, Notice, NoticeKind, notice_id

    return Notice(
        id=notice_id(NoticeKind.WORSE, Audience.FLEET, trip, str(number)),
        kind=NoticeKind.WORSE,
        audience=Audience.FLEET,
        trip_id=trip,
        plan_id="",
        created_at=now,
        expires_at=now + timedelta(days=30),
        text=f"notice {number}",
        body=f'{{"number": {number}, "filler": "{filler}"}}',
    )


# The record, and the disk that it describes.


@dataclass(frozen=True)
class Event:
    """One operation on the store's folder."""

    op: str
    fd: int
    offset: int
    data: bytes


def record(folder: Path, rounds_n: int, seed: int) -> list[Event]:
    """Run the child under the recorder; return its operations. Raises NoCompilerError."""
    disk, log = folder / "disk", folder / "record"
    disk.mkdir()
    more = {"LD_PRELOAD": str(build_recorder(folder)), "RECORD_LOG": str(log), "RECORD_FOLDER": str(disk)}
    more |= {"PYTHONPATH": str(HERE.parents[2])}
    command = [sys.executable, str(HERE), "--child", str(disk), str(rounds_n), str(seed)]
    subprocess.run(command, check=True, env=os.environ | more)
    return list(read_record(log.read_bytes()))


def read_record(content: bytes) -> Iterator[Event]:
    head, at = struct.Struct("=ciqq"), 0
    while at < len(content):
        op, fd, offset, n = head.unpack_from(content, at)
        at += head.size
        yield Event(op.decode(), fd, offset, content[at : at + n])
        at += n


@dataclass
class DiskFile:
    """Contents that survive for certain, and the changes since, which may or may not."""

    synced: bytearray = field(default_factory=bytearray)
    changes: list[tuple[int, bytes | None]] = field(default_factory=list)  # (offset, bytes); (size, None): truncate

    def sync(self) -> None:
        for change in self.changes:
            apply_change(self.synced, *change)
        self.changes = []

    def after_cut(self, way: str, draw: random.Random) -> bytes:
        content = bytearray(self.synced)
        for offset, data in self.changes if way != "lost" else ():
            if way == "kept":
                apply_change(content, offset, data)
            elif data is None:
                if draw.random() < 0.5:
                    apply_change(content, offset, None)
            else:
                for sector in sectors(offset, data):
                    if draw.random() < 0.5:
                        apply_change(content, *sector)
        return bytes(content)


def apply_change(content: bytearray, offset: int, data: bytes | None) -> None:
    if data is None:
        del content[offset:]
        content.extend(bytes(offset - len(content)))
        return
    content.extend(bytes(max(0, offset - len(content))))
    content[offset : offset + len(data)] = data


def sectors(offset: int, data: bytes) -> Iterator[tuple[int, bytes]]:
    at = 0
    while at < len(data):
        n = SECTOR_BYTES - (offset + at) % SECTOR_BYTES
        yield offset + at, data[at : at + n]
        at += n


@dataclass
class Disk:
    """The folder, as operations change it. `control`: which syncs it ignores."""

    folder: str
    control: str = ""
    now: dict[str, DiskFile] = field(default_factory=dict)
    names: dict[str, DiskFile] = field(default_factory=dict)  # the names that survive for certain
    renamed: list[tuple[str, DiskFile | None]] = field(default_factory=list)  # name changes since; None: removed
    fds: dict[int, tuple[str, DiskFile | None]] = field(default_factory=dict)
    ops: Counter[str] = field(default_factory=Counter)

    def apply(self, event: Event) -> None:
        self.ops[event.op] += 1
        if event.op == "o":
            path = event.data.decode()
            if event.offset:
                self.now[path] = DiskFile()
                self.renamed.append((path, self.now[path]))
            self.fds[event.fd] = (path, self.now.get(path))
        elif event.op == "c":
            self.fds.pop(event.fd, None)
        elif event.op in "wt":
            file = self.fds[event.fd][1]
            assert file is not None
            file.changes.append((event.offset, event.data if event.op == "w" else None))
        elif event.op == "s":
            self._sync(*self.fds[event.fd])
        elif event.op == "u":
            path = event.data.decode()
            self.now.pop(path, None)
            self.renamed.append((path, None))
        elif event.op == "r":
            old, new = event.data.decode().split("\0")
            self.now[new] = self.now.pop(old)
            self.renamed += [(new, self.now[new]), (old, None)]

    def _sync(self, path: str, file: DiskFile | None) -> None:
        if self.control == "fsync":
            return
        if file is not None:
            file.sync()
        elif path == self.folder and self.control != "folder":
            for name, changed in self.renamed:
                self._rename(self.names, name, changed)
            self.renamed = []

    @staticmethod
    def _rename(names: dict[str, DiskFile], name: str, file: DiskFile | None) -> None:
        if file is None:
            names.pop(name, None)
        else:
            names[name] = file

    def after_cut(self, way: str, draw: random.Random) -> dict[str, bytes]:
        """Return the files as a power failure at this moment may leave them."""
        names = dict(self.names)
        kept_n = {"lost": 0, "kept": len(self.renamed)}.get(way, draw.randint(0, len(self.renamed)))
        for name, file in self.renamed[:kept_n]:
            self._rename(names, name, file)
        return {Path(name).name: file.after_cut(way, draw) for name, file in names.items()}

    def marks(self) -> list[list[str]]:
        """What the outside saw until now, which no power failure takes back."""
        file = self.now.get(f"{self.folder}/{MARKS}")
        content = b"" if file is None else file.after_cut("kept", random.Random())
        return [line.split() for line in content.decode().splitlines()]


# The checks.


async def problems_after(folder: Path, seen: list[list[str]]) -> list[str]:
    """Open the rebuilt store and finish its work; return what is wrong."""
    from alertd.errors import AlertdError
    from alertd.store.store import Store

    decided = {id_: hashed for what, id_, hashed in seen if what == "decided"}
    got = [(id_, hashed) for what, id_, hashed in seen if what == "got"]
    try:
        with Store(folder / STORE) as store:
            found = _stored_problems(store, decided, {id_ for id_, _ in got})
            receiver = CollectingReceiver()
            await _deliver_rest(store, receiver)
    except AlertdError as exc:
        return [f"not opened: {exc}"]
    if damage := _damage(folder / STORE):
        found.append(f"corrupt: {damage}")
    contents: dict[str, set[str]] = {}
    for id_, hashed in got + receiver.got:
        contents.setdefault(id_, set()).add(hashed)
    found += [f"lost: {id_} never arrived" for id_ in decided.keys() - contents.keys()]
    found += [f"other bytes: {id_}" for id_, hashes in contents.items() if len(hashes) > 1]
    return found


def _damage(store: Path) -> str:
    """What SQLite's own checks report; "" for a whole file."""
    try:
        with closing(sqlite3.connect(store)) as connection:
            check = [row[0] for row in connection.execute("PRAGMA integrity_check")]
            strays = connection.execute("PRAGMA foreign_key_check").fetchall()
    except sqlite3.DatabaseError as exc:
        return str(exc)
    return "" if check == ["ok"] and not strays else f"{check[:2]} {strays[:2]}"


class CollectingReceiver:
    """Accepts everything."""

    def __init__(self) -> None:
        self.got: list[tuple[str, str]] = []

    async def send(self, outgoing: Any, now_epoch_s: float) -> None:
        self.got.append((outgoing.notice_id, digest(outgoing.body)))


def _stored_problems(store: Any, decided: dict[str, str], got: set[str]) -> list[str]:
    found = []
    for id_, hashed in decided.items():
        notice = store.notice(id_)
        if notice is None:
            found.append(f"lost: {id_} is not in the store")
        elif digest(notice.body) != hashed:
            found.append(f"other bytes: {id_} in the store")
        elif any(d.state == "done" for d in store.outbox.of_notice(id_)) and id_ not in got:
            found.append(f"lost: {id_} is marked done and had not arrived")
    return found


async def _deliver_rest(store: Any, receiver: CollectingReceiver) -> None:
    from alertd.delivery.worker import DeliveryWorker

    candidate = store.candidate("after the cut", lease_s=0.0)
    candidate.acquire(0.0, START)
    store.outbox.release_claims()
    worker = DeliveryWorker(store.outbox, {"hook": receiver}, owner="after the cut", rng=random.Random(1))
    now = START + timedelta(days=2)
    for _ in range(100):
        if not store.outbox.health(now).waiting_n:
            break
        await worker.deliver_due(now)
    candidate.release()


@dataclass
class Outcome:
    """The result of all cuts. `failed`: one line for each check that failed."""

    events_n: int
    cuts: Counter[str]
    with_unsynced_n: int
    ops: Counter[str]
    failed: list[str]


def replay(events: list[Event], folder: str, cuts_n: int, seed: int, control: str = "") -> Outcome:
    """Cut after `cuts_n` of the events, spread over the record, each in all ways."""
    draw = random.Random(seed)
    points = set(draw.sample(range(len(events)), min(cuts_n, len(events))))
    disk, outcome = Disk(folder, control), Outcome(len(events), Counter(), 0, Counter(), [])
    for at, event in enumerate(events):
        disk.apply(event)
        if at not in points:
            continue
        unsynced = disk.renamed or any(f.changes for path, f in disk.now.items() if not path.endswith(MARKS))
        outcome.with_unsynced_n += bool(unsynced)
        for way in WAYS:
            with tempfile.TemporaryDirectory(prefix="cut-", dir=memory_folder()) as name:
                for file, content in disk.after_cut(way, draw).items():
                    Path(name, file).write_bytes(content)
                found = asyncio.run(problems_after(Path(name), disk.marks()))
            outcome.cuts[way] += 1
            outcome.failed += [f"cut after event {at} ({event.op}), {way}: {one}" for one in found]
    outcome.ops = disk.ops
    return outcome


def memory_folder() -> str | None:
    """A folder in memory, where there is one: the rebuilt disks need no real disk."""
    return "/dev/shm" if os.access("/dev/shm", os.W_OK) else None


def run(cuts_n: int, rounds_n: int, seed: int, control: str = "") -> Outcome:
    """Record once and replay. Raises NoCompilerError."""
    with tempfile.TemporaryDirectory(prefix="power-", dir=memory_folder()) as name:
        folder = Path(name).resolve()
        events = record(folder, rounds_n, seed)
        return replay(events, str(folder / "disk"), cuts_n, seed, control)


def main() -> int:
    if sys.argv[1:2] == ["--child"]:
        asyncio.run(child(Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4])))
        return 0
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cuts", type=int, default=300)
    parser.add_argument("--rounds", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--control", choices=["fsync", "folder"], default="")
    asked = parser.parse_args()
    try:
        outcome = run(asked.cuts, asked.rounds, asked.seed, asked.control)
    except NoCompilerError as exc:
        print(f"skipped: {exc}")
        return NO_COMPILER
    print(f"{outcome.events_n} events: {dict(outcome.ops)}")
    print(f"cuts {dict(outcome.cuts)}, with unsynced changes {outcome.with_unsynced_n}")
    for what in ("lost", "other bytes", "corrupt", "not opened"):
        print(f"{sum(f': {what}' in line for line in outcome.failed):6} {what}")
    print(*outcome.failed[:10], sep="\n")
    return 1 if outcome.failed else 0


if __name__ == "__main__":
    sys.path.insert(0, str(HERE.parents[2]))
    raise SystemExit(main())
