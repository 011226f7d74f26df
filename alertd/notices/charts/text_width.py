"""Sizes and widths of text.

The widths are those of DejaVu Sans, which is wider than the fonts of phones: text that fits here fits there.
"""

from typing import Final

SMALL: Final = 11.0
PLAIN: Final = 12.0
HEAD: Final = 15.0
# Advance widths of the characters from space to "~", in hundredths of the font size, from the font's own table.
_NORMAL: Final = (
    "32 40 46 84 64 95 78 27 39 39 50 84 32 36 32 34 64 64 64 64 64 64 64 64 64 64 34 34 84 84 84 53 100 68 69 "
    "70 77 63 58 77 75 30 30 66 56 86 75 79 60 79 69 63 61 73 68 99 68 61 68 39 34 39 84 50 50 61 63 53 63 57 "
    "35 63 63 28 28 58 28 97 63 55 63 63 38 52 39 63 59 82 59 59 52 64 34 64 84"
)
_BOLD: Final = (
    "35 46 52 84 70 100 87 31 46 46 52 84 38 42 38 37 70 70 70 70 70 70 70 70 70 70 40 40 84 84 84 58 100 77 "
    "76 73 83 68 68 82 84 37 37 77 64 100 84 85 73 85 77 72 68 81 77 110 77 72 73 46 37 46 84 50 50 67 72 59 "
    "72 68 44 72 71 34 34 66 34 104 71 69 72 72 49 60 48 71 65 92 64 65 58 71 37 71 84"
)
_OTHER: Final = 0.85  # of the size, for any other character: arrows, marks and letters with accents are at most so wide
_TABLES: Final = {
    bold: {chr(32 + i): int(n) / 100.0 for i, n in enumerate(widths.split())}
    for bold, widths in ((False, _NORMAL), (True, _BOLD))
}


def text_width(text: str, size: float = PLAIN, *, bold: bool = False) -> float:
    """Return the width of a line of text in the unit of its size."""
    table = _TABLES[bold]
    return size * sum(table.get(letter, _OTHER) for letter in text)


def wrap_text(text: str, width: float, size: float = PLAIN, *, bold: bool = False) -> list[str]:
    """Wrap text to a width; a wider word gets its own line."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer, size, bold=bold) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines
