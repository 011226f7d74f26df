"""JSON bodies: strict, and without numbers that no count or id has."""

import pytest

from alertd.errors import SourceChanged
from alertd.sources.http.errors import parse_json


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "utf-32"])
@pytest.mark.parametrize("number", ["1" * 21, "-" + "1" * 20])
def test_whole_numbers_too_long_are_refused(number: str, encoding: str) -> None:
    with pytest.raises(SourceChanged, match="a whole number has 21 digits"):
        parse_json("body", f'{{"a": [1, {number}]}}'.encode(encoding))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_numbers_of_64_bits_and_long_fractions_are_read(encoding: str) -> None:
    text = f"[{2**64 - 1}, {-(2**63)}, 0.{'1' * 40}, 7]"
    assert parse_json("body", text.encode(encoding)) == [2**64 - 1, -(2**63), float(f"0.{'1' * 40}"), 7]
