"""What is left after a cycle is not searched for garbage until the next one has ended; nothing is kept for good."""

import gc
import weakref
from collections.abc import Iterator

import pytest

from alertd import memory
from alertd.memory import limit_memory, release_memory, release_when_large


class Node:
    """An object that refers to itself, which only the garbage collector frees."""

    def __init__(self) -> None:
        self.me = self


@pytest.fixture(autouse=True)
def only_searches_of_the_test() -> Iterator[None]:
    gc.disable()
    yield
    gc.unfreeze()
    gc.enable()


def test_what_is_left_is_freed_after_the_next_cycle() -> None:
    node = Node()
    alive = weakref.ref(node)
    release_memory()
    assert gc.get_freeze_count() > 0
    del node
    gc.collect()
    assert alive() is not None, "not searched within a cycle"
    release_memory()
    assert alive() is None


def test_garbage_of_a_road_is_freed_in_a_large_process(monkeypatch: pytest.MonkeyPatch) -> None:
    node = Node()
    alive = weakref.ref(node)
    del node
    monkeypatch.setattr(memory, "resident_mb", lambda pid: 100.0)
    release_when_large()
    assert alive() is not None
    monkeypatch.setattr(memory, "resident_mb", lambda pid: 2_000.0)
    release_when_large()
    assert alive() is None


def test_a_process_that_runs_for_days_searches_as_python_does() -> None:
    """700, 10, 10: the defaults of Python 3.11, documentation of `gc.set_threshold`, from memory."""
    before = gc.get_threshold()
    try:
        gc.set_threshold(20_000, 20)
        limit_memory()
        assert gc.get_threshold() == (700, 10, 10)
    finally:
        gc.set_threshold(*before)
