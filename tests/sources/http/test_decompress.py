"""A body is unpacked up to its limit, whatever it claims to be; the standard library's gzip is the measure."""

import functools
import gzip
import tracemalloc
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.sources.http.decompress import BadContentEncoding, BodyTooLarge, Decompressor

MOST = 1_000_000


def unpacked(coding: str, data: bytes, step: int = 4096, most: int = MOST) -> bytes:
    inflater = Decompressor(coding, most)
    for i in range(0, len(data), step):
        inflater.feed(data[i : i + step])
    return inflater.end()


@given(st.binary(max_size=5000), st.integers(1, 700), st.sampled_from(["", "identity", "gzip", "x-gzip", "deflate"]))
def test_every_coding_gives_back_what_went_in(body: bytes, step: int, coding: str) -> None:
    packed = {"gzip": gzip.compress, "x-gzip": gzip.compress, "deflate": zlib.compress}.get(coding, bytes)(body)
    assert unpacked(coding, packed, step) == body


def test_a_gzip_of_several_members_is_one_body() -> None:
    """RFC 1952, 2.2."""
    assert unpacked("gzip", gzip.compress(b"one ") + gzip.compress(b"two"), step=7) == b"one two"


@functools.cache
def made_bomb() -> bytes:
    return gzip.compress(bytes(200_000_000), 9)


@pytest.mark.parametrize("step", [512, 10**9])
def test_a_bomb_is_stopped_before_it_unpacks(step: int) -> None:
    """200 MB of zeros in 200 kB: no more than the limit is ever held, even when it all comes as one piece."""
    bomb = made_bomb()
    assert len(bomb) < 250_000
    tracemalloc.start()
    with pytest.raises(BodyTooLarge):
        unpacked("gzip", bomb, step)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 5 * MOST


def test_an_unpacked_body_is_held_to_the_same_limit() -> None:
    assert unpacked("", bytes(MOST)) == bytes(MOST)
    with pytest.raises(BodyTooLarge):
        unpacked("", bytes(MOST + 1))
    assert unpacked("gzip", gzip.compress(bytes(MOST))) == bytes(MOST)
    with pytest.raises(BodyTooLarge):
        unpacked("gzip", gzip.compress(bytes(MOST + 1)))


@pytest.mark.parametrize(
    ("coding", "data"),
    [("gzip", gzip.compress(b"x" * 5000)[:-9]), ("gzip", b"plain text"), ("deflate", b"\x00\x01"), ("br", b"")],
    ids=["cut short", "not packed", "broken", "never asked for"],
)
def test_what_cannot_be_unpacked_is_refused(coding: str, data: bytes) -> None:
    with pytest.raises(BadContentEncoding):
        unpacked(coding, data)


def test_no_body_at_all_needs_no_packing() -> None:
    """As a 304 of a server that packs."""
    assert unpacked("gzip", b"") == b""
