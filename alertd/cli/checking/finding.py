"""One result of a check, and the check of files by their readers."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from alertd.errors import AlertdError, InputError

ELSEWHERE = "text of another land"  # kind of the rule texts that no planned route needs


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """`level`: "ok" read, "look" a person should look, "wrong" must be corrected. `kind`: what the files are."""

    file: str
    level: Literal["ok", "look", "wrong"]
    text: str
    kind: str = ""


def mistakes_of(exc: AlertdError, file: Path, kind: str = "") -> list[Finding]:
    """Every mistake that the reader of a file found, the first one first."""
    each = (exc, *exc.others) if isinstance(exc, InputError) else (exc,)
    return [Finding(file=str(file), level="wrong", text=whole_name(str(mistake), file), kind=kind) for mistake in each]


def whole_name(text: str, file: Path) -> str:
    """The mistake with the file's whole name: a reader names it without its folder."""
    return f"{file.parent}/{text}" if text.startswith((f"{file.name}:", f"{file.name} ")) else text


def counted(number: int, one: str) -> str:
    """A count in words: "1 stop", "2 stops", "2 border crossings"."""
    return f"{number} {one}" if number == 1 else f"{number} {one}s"


def read_each(kind: str, paths: Iterable[Path | None], read: Callable[[Path], str]) -> list[Finding]:
    """Read each file; one finding a file that is right, and one for each mistake of the others."""
    out: list[Finding] = []
    for path in paths:
        if path is None:
            continue
        try:
            out.append(Finding(file=str(path), level="ok", text=f"{path}: {read(path)}", kind=kind))
        except AlertdError as exc:
            out += mistakes_of(exc, path, kind)
    return out
