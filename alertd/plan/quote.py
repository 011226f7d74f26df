"""A weather office's own words, to be quoted: never altered, and cut only at the end of a sentence."""

import re
from typing import Final

MOST_CHARS: Final = 300
_END: Final = re.compile(r"[.!?](?=\s)")


def one_line(text: str) -> str:
    """The same words on one line, without characters that steer a terminal."""
    words = " ".join(text.split())
    return words if words.isprintable() else " ".join("".join(c if c.isprintable() else " " for c in words).split())


def cut(text: str, most: int = MOST_CHARS) -> str:
    """At most `most` characters, whole sentences, "..." where more follow; one sentence that is longer stays whole."""
    words = one_line(text)
    if len(words) <= most:
        return words
    ends = [m.end() for m in _END.finditer(words)]
    if not ends:
        return words
    return f"{words[: max((e for e in ends if e <= most), default=ends[0])]} ..."
