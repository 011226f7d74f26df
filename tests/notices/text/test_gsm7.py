"""Segment counts against the published rule: 3GPP TS 23.038 (alphabet) and TS 23.040 (segment sizes)."""

import pytest
from gsm0338 import Codec

from alertd.notices.text.gsm7 import segments, septets, to_gsm7

# (text, septets or None for UCS-2, parts), worked from TS 23.038 6.2.1 and TS 23.040 9.2.3.24.1 by hand: 160 septets
# alone, 153 in a part; 70 and 67 UCS-2 units; neither an escape pair nor a surrogate pair is split over two parts.
VECTORS = [
    ("a" * 160, 160, 1),
    ("a" * 161, 161, 2),
    ("a" * 306, 306, 2),
    ("a" * 307, 307, 3),
    ("a" * 459, 459, 3),
    ("a" * 460, 460, 4),
    ("€" * 80, 160, 1),
    ("€" * 81, 162, 2),
    ("a" * 158 + "€", 160, 1),
    ("a" * 159 + "€", 161, 2),
    ("a" * 152 + "€" + "a" * 151, 305, 2),
    ("a" * 152 + "€" + "a" * 152, 306, 3),
    ("ё" * 70, None, 1),
    ("ё" * 71, None, 2),
    ("ё" * 134, None, 2),
    ("ё" * 135, None, 3),
    ("a" * 69 + "❄", None, 1),
    ("a" * 70 + "❄", None, 2),
    ("ё" * 66 + "🚚" + "ё" * 66, None, 3),
    ("[I-80]", 8, 1),
]


@pytest.mark.parametrize(("text", "length", "parts"), VECTORS)
def test_segments_follow_the_published_rule(text: str, length: int | None, parts: int) -> None:
    assert segments(text) == parts
    if length is None:
        with pytest.raises(ValueError, match="not in the GSM 7-bit alphabet"):
            septets(text)
    else:
        assert septets(text) == length


@pytest.mark.parametrize("char", "éèäöüñÇ'-_/:")
def test_letters_of_the_alphabet_cost_one_septet(char: str) -> None:
    assert septets(char) == 1


@pytest.mark.parametrize("char", ["’", "“", "–", "—", "…", "°", "ç", "á", "í", "ó", "ú", "\u00a0", "`", "\t", "❄"])
def test_character_outside_the_alphabet_is_replaced(char: str) -> None:
    """Such a character would cost a segment."""
    long = "x" * 80 + char
    assert segments(long) == 2
    assert segments(to_gsm7(long)) == 1


def test_names_stay_readable_when_replaced() -> None:
    assert to_gsm7("Col de l’Iseran ❄ 10°F – ça va") == "Col de l'Iseran ? 10 degF - ca va"


def test_every_character_counts_as_in_a_second_implementation() -> None:
    """The package gsm0338, which is not ours, over the Basic Multilingual Plane; ESC alone is no character."""
    codec = Codec()
    for code in [*range(0x1B), *range(0x1C, 0xD800), *range(0xE000, 0x10000)]:
        char = chr(code)
        try:
            theirs = len(codec.encode(char)[0])
        except UnicodeError:
            theirs = None
        try:
            ours = septets(char)
        except ValueError:
            ours = None
        assert ours == theirs, hex(code)
