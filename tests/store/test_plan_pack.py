"""Texts that are kept together read back byte for byte, and take a small part of the room."""

import json
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.store.plans.plan_pack import TextField, joined, pack_texts, text_in_pack

ITEMS = st.lists(st.text(st.characters(blacklist_characters="\n"), max_size=5), max_size=4)


@given(st.lists(st.tuples(ITEMS, ITEMS), min_size=1, max_size=5))
def test_each_text_of_a_pack_reads_back_byte_for_byte(objects: list[tuple[list[str], list[str]]]) -> None:
    fields = [[('"a":[', a, "]"), ('"b":{', b, "}")] for a, b in objects]
    packed = pack_texts(fields)
    assert [text_in_pack(packed, n) for n in range(len(objects))] == [joined(f) for f in fields]


def test_what_plans_have_in_common_is_kept_once() -> None:
    common = [json.dumps({"depart": n, "words": f"{n * 7919 % 1013} minutes later"}) for n in range(145)]

    def fields(n: int) -> list[TextField]:
        return [
            ('"departures":[', [*common[n:], *(f"{n * 31 + k}" for k in range(n))], "]"),
            ('"id":', (f'"{n}"',), ""),
        ]

    objects = [fields(n) for n in range(40)]
    alone_n = sum(len(zlib.compress(joined(f).encode(), 6)) for f in objects)
    assert len(zlib.compress(pack_texts(objects).encode(), 6)) < alone_n / 8


def test_objects_of_other_fields_and_foreign_text_are_refused() -> None:
    with pytest.raises(ValueError, match="same fields"):
        pack_texts([[("a:", ("1",), "")], [("b:", ("1",), "")]])
    with pytest.raises(ValueError, match=r"no alertd\.pack/1"):
        text_in_pack(pack_texts([[("a:", ("1",), "")]]), 1)
