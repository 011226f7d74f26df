"""A daemon waits for its turn to lead, says so once, and notices when another leads."""

import asyncio
import logging
from pathlib import Path

import pytest

from alertd.clock import system_clock
from alertd.daemon import leadership
from alertd.daemon.leadership import renew_leadership, wait_for_leadership
from alertd.errors import StoreError
from alertd.store.leadership import Candidate
from alertd.store.store import Store


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture) -> None:
    monkeypatch.setattr(leadership, "POLL_EVERY_S", 0.01)
    caplog.set_level(logging.INFO, "alertd")


def candidates(one: Store, other: Store) -> tuple[Candidate, Candidate]:
    return one.candidate("north:1", lease_s=60), other.candidate("north:2", lease_s=60)


async def test_standby_names_the_leader_once_and_takes_over_at_its_end(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with Store(tmp_path / "a.db") as one, Store(tmp_path / "a.db") as other:
        first, second = candidates(one, other)
        never = asyncio.Event()
        assert await wait_for_leadership(first, system_clock, never)
        waiting = asyncio.create_task(wait_for_leadership(second, system_clock, never))
        while not any("standing by" in r.getMessage() for r in caplog.records):
            await asyncio.sleep(0.01)
        await asyncio.sleep(0.1)
        first.release()
        assert await waiting
        second.release()
    assert [r.getMessage() for r in caplog.records if r.name == "alertd.daemon.leadership"] == [
        "leading the store",
        "standing by: north:1 leads",
        "leading the store after standing by",
    ]


async def test_told_to_stop_it_stands_by_no_longer(tmp_path: Path) -> None:
    with Store(tmp_path / "a.db") as one, Store(tmp_path / "a.db") as other:
        first, second = candidates(one, other)
        stop = asyncio.Event()
        assert await wait_for_leadership(first, system_clock, stop)
        waiting = asyncio.create_task(wait_for_leadership(second, system_clock, stop))
        await asyncio.sleep(0.05)
        stop.set()
        assert await waiting is False
        first.release()


async def test_store_failure_while_leading_is_a_line_till_a_new_leader(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A store that fails while the daemon leads costs one log line; another leader ends it."""
    with Store(tmp_path / "a.db") as one:
        candidate, lost = one.candidate("north:1", lease_s=60), asyncio.Event()
        answers = iter([*[StoreError("store x: disk is full")] * 3, True, False])

        def renew() -> bool:
            answer = next(answers)
            if isinstance(answer, StoreError):
                raise answer
            return answer

        monkeypatch.setattr(candidate, "renew", renew)
        await asyncio.wait_for(renew_leadership(candidate, 0.001, lost), 10)
        assert lost.is_set()
    assert [r.getMessage() for r in caplog.records if r.name == "alertd.daemon.leadership"] == [
        "store x: disk is full",
        "leadership lost: another daemon leads; this one stands by",
    ]
