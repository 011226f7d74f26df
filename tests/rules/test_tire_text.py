from dataclasses import replace

import pytest

from alertd.rules.requirements import cover, demand_for
from alertd.rules.rig import Rig, Tire
from alertd.rules.ruleset import RuleSet
from alertd.rules.tire_text import tires_code, tires_detail, tires_line

# GSM 03.38 basic characters that our words may use (3GPP TS 23.038 section 6.2.1)
GSM7 = set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789 +:;,.")

CASES = [
    ("US-WA", "over-10000-gvw", "TS5",
     "4 drive: outside dual left+right, both drive axles; trailer: 1 right outside, rear axle",
     "both drive axles outside duals + trailer rear right outside"),
    ("US-MT", "chains-required-towing", "TS5", "4 drive: all 4, front drive axle", "front drive axle all 4"),
    ("US-ID", "chains-required", "DB5",
     "2 drive: outside dual left+right; 1st trailer: 2 outside dual left+right; 2nd trailer: 2 outside dual "
     "left+right",
     "drive axle outside duals + each trailer outside duals"),
    ("US-WA", "traction-advisory", "TS5", "no tires", "no tires"),
    ("US-NV", "chains-or-snow-tires", "DB5",
     "2 drive: outside dual left+right; 1st trailer: 2 outside dual left+right; dolly: 2 outside dual "
     "left+right; "
     "2nd trailer: 2 outside dual left+right",
     "drive axle outside duals + each trailer+dolly outside duals"),
    ("US-NV", "chains-or-snow-tires", "TS6",
     "4 drive: outside dual left+right, both drive axles; trailer: 6 outside dual left+right, all axles",
     "both drive axles outside duals + trailer all 3 axles outside duals"),
]  # fmt: skip


@pytest.mark.parametrize(("code", "level", "rig", "words", "short"), CASES)
def test_tires_are_said_as_a_driver_says_them(
    code: str, level: str, rig: str, words: str, short: str, shipped: dict[str, RuleSet], rigs: dict[str, Rig]
) -> None:
    tires = cover(rigs[rig], [demand_for(shipped[code], shipped[code].level(level), rigs[rig])]).tires
    assert tires_line(rigs[rig], tires) == words
    assert tires_code(rigs[rig], tires) == short


def test_words_fit_a_text_message_for_every_shipped_rule_and_rig(
    shipped: dict[str, RuleSet], rigs: dict[str, Rig]
) -> None:
    for rig in rigs.values():
        for ruleset in shipped.values():
            for level in ruleset.levels:
                tires = cover(rig, [demand_for(ruleset, level, rig)]).tires
                assert set(tires_line(rig, tires)) | set(tires_code(rig, tires)) <= GSM7
                assert len(tires_code(rig, tires)) <= 110


def test_one_side_and_mixed_places_are_told_apart(rigs: dict[str, Rig]) -> None:
    rig = rigs["TS5"]
    mixed = [Tire(1, "left", "outside"), Tire(1, "right", "inside")]
    assert tires_code(rig, mixed) == "front drive axle left outside and right inside"
    assert tires_code(rig, [Tire(3, "left", "outside"), Tire(4, "right", "outside")]) == (
        "trailer front left outside + trailer rear right outside"
    )


def test_wide_single_tires_are_not_called_outside(rigs: dict[str, Rig]) -> None:
    wide = replace(rigs["TS5"], axles=tuple(replace(a, dual=False) for a in rigs["TS5"].axles))
    assert tires_code(wide, [Tire(1, "left", "single"), Tire(1, "right", "single")]) == "front drive axle each side"


def test_different_tires_never_read_alike(rigs: dict[str, Rig]) -> None:
    rig = rigs["DB5"]
    drive_and_towed = [t for t in rig.tires() if t.axle_idx > 0]
    sets = [frozenset(t for i, t in enumerate(drive_and_towed[:10]) if n >> i & 1) for n in range(1, 1024)]
    assert len({tires_code(rig, s) for s in sets}) == len(sets)


def test_detail_is_one_record_a_tire_counted_from_the_steer_axle(rigs: dict[str, Rig]) -> None:
    assert tires_detail(rigs["TS5"], [Tire(4, "right", "outside")]) == [
        {"unit": 1, "axle": 5, "role": "trailer", "side": "right", "place": "outside"}
    ]
