"""The GSM-7 alphabet of text messages: length and segments after 3GPP TS 23.038 and TS 23.040."""

import unicodedata
from typing import Final

# 3GPP TS 23.038 section 6.2.1, default alphabet. It has the capital C cedilla, not the small one.
BASIC: Final = frozenset(
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
# Section 6.2.1.1, extension table: an escape precedes each, so two septets.
EXTENDED: Final = frozenset("\f^{}\\[~]|€")
_ALPHABET: Final = BASIC | EXTENDED

SINGLE_SEPTETS, PART_SEPTETS = 160, 153  # TS 23.040: a part loses 7 septets to its header
SINGLE_UNITS, PART_UNITS = 70, 67  # the same in UCS-2

_PLAIN: Final = str.maketrans(
    {
        "’": "'", "‘": "'", "“": '"', "”": '"', "–": "-", "—": "-", "−": "-", "…": "...", "°": " deg",
        "×": "x", "\u00a0": " ", "\t": " ", "`": "'", "•": "-",
    }
)  # fmt: skip


def to_gsm7(text: str) -> str:
    """Return the text in the alphabet only: other accents are dropped, any other character becomes '?'."""
    plain = text.translate(_PLAIN)
    if _ALPHABET.issuperset(plain):
        return plain
    out = []
    for char in plain:
        if char in _ALPHABET:
            out.append(char)
            continue
        base = unicodedata.normalize("NFKD", char)[0]
        out.append(base if base in BASIC else "?")
    return "".join(out)


def septets(text: str) -> int:
    """Return the length in septets. Raises ValueError for a character outside the alphabet."""
    if not _ALPHABET.issuperset(text):
        outside = next(char for char in text if char not in _ALPHABET)
        raise ValueError(f"{outside!r} is not in the GSM 7-bit alphabet")
    return len(text) + sum(text.count(char) for char in EXTENDED)


def segments(text: str) -> int:
    """Return the number of messages: GSM-7 if possible, else UCS-2. No pair is split over two parts."""
    if _ALPHABET.issuperset(text):
        septets_n = septets(text)
        if septets_n == len(text):  # no escape that a part could split
            return 1 if septets_n <= SINGLE_SEPTETS else -(-septets_n // PART_SEPTETS)
        return _parts([2 if c in EXTENDED else 1 for c in text], SINGLE_SEPTETS, PART_SEPTETS)
    return _parts([2 if ord(c) > 0xFFFF else 1 for c in text], SINGLE_UNITS, PART_UNITS)


def _parts(widths: list[int], single: int, part: int) -> int:
    if sum(widths) <= single:
        return 1
    count, used = 1, 0
    for width in widths:
        if used + width > part:
            count, used = count + 1, 0
        used += width
    return count
