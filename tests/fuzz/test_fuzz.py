"""Damaged files never make a reader fail but with one line: kept files, then cases that hypothesis draws.

Set ALERTD_FUZZ_SECONDS to search longer, that many seconds for each reader: `tests/benchmarks/fuzz.py` does it by hand.
"""

import logging
import os
import random
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))

from mutation import KINDS_N, Damage, damaged, drawn
from readers import KEPT, READERS, check

SEARCH_S = float(os.environ.get("ALERTD_FUZZ_SECONDS", "0"))
DAMAGES = st.lists(
    st.builds(Damage, st.integers(0, KINDS_N - 1), st.floats(0.0, 1.0, exclude_max=True), st.integers(0, 9999)),
    min_size=1,
    max_size=4,
)
# A request to the real server and a file of settings cost some milliseconds each.
CASES_N = {"http": 15, "settings-toml": 10, "rules-toml": 15}


@pytest.fixture(autouse=True)
def quiet_log(caplog: pytest.LogCaptureFixture) -> Iterator[None]:
    with caplog.at_level(logging.CRITICAL):
        yield


def test_each_reader_starts_from_kept_files() -> None:
    assert {path.name for path in KEPT.iterdir() if path.is_dir()} <= READERS.keys()
    assert all(reader.corpus(name) for name, reader in READERS.items())


@pytest.mark.hypothesis
@pytest.mark.parametrize("name", READERS)
def test_damaged_files_are_read_or_refused_in_a_line(name: str) -> None:
    corpus = READERS[name].corpus(name)
    for data in corpus:
        check(name, data)

    @settings(max_examples=CASES_N.get(name, 40), database=None)
    @given(st.integers(0, len(corpus) - 1), DAMAGES)
    def search(which: int, changes: list[Damage]) -> None:
        check(name, damaged(corpus[which], changes))

    search()
    draw, ends_s = random.Random(), time.monotonic() + SEARCH_S
    while time.monotonic() < ends_s:
        check(name, damaged(draw.choice(corpus), drawn(draw)))
