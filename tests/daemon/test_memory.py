"""What is left after a cycle is not searched for garbage until the next one has ended; nothing is kept for good."""

import gc
import weakref
from collections.abc import Iterator

import pytest

from alertd.daemon.memory import release_memory


class Node:
    """An object that refers to itself, which only the garbage collector frees."""

    def __init__(self) -> None:
        self.me = self


@pytest.fixture(autouse=True)
def unfrozen() -> Iterator[None]:
    yield
    gc.unfreeze()


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
