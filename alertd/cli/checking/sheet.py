"""Prints the findings of a check: every mistake in full, and what is right as one line a kind."""

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import click

from alertd.cli.checking.finding import ELSEWHERE, Finding
from alertd.cli.paths import searched_paths
from alertd.settings.shipped import data_root

MOST_OF_A_FILE: Final = 50  # lines that a person still reads
# Kinds that are no file each; the text of their one line in a short sheet.
TOGETHER: Final = {
    "unplaced zones": "{n} rule files with zones that are placed on no route, only named in words",
    ELSEWHERE: "{n} rule files to read again, of lands on no planned route",
    "foreign offset": "{n} trips with another UTC offset than that of the start",
}


def show_findings(findings: Sequence[Finding], *, verbose: bool) -> None:
    """Print one line a finding; without `verbose`, several files of one kind share a line."""
    count = Counter((f.level, f.kind) for f in findings)
    shown: set[tuple[str, str]] = set()
    wrong_in: Counter[str] = Counter()
    for level in ("ok", "look", "wrong"):
        for f in findings:
            if f.level != level:
                continue
            same = (level, f.kind)
            if level == "wrong":
                wrong_in[f.file] += 1
                if wrong_in[f.file] > MOST_OF_A_FILE and not verbose:
                    continue
            if verbose or level == "wrong" or not f.kind or (count[same] == 1 and f.kind != ELSEWHERE):
                click.echo(f"{level:8}{f.text}")
            elif same not in shown:
                shown.add(same)
                click.echo(f"{level:8}{_together(f, [o.file for o in findings if (o.level, o.kind) == same])}")
    for file, number in wrong_in.items():
        if number > MOST_OF_A_FILE and not verbose:
            click.echo(f"wrong   {file}: {number - MOST_OF_A_FILE} more like these; -v lists them")
    wrong_n, look_n, ok_n = (sum(f.level == level for f in findings) for level in ("wrong", "look", "ok"))
    click.echo(f"{wrong_n} wrong, {look_n} to look at, {ok_n} right; -v lists each")


def _together(one: Finding, files: Sequence[str]) -> str:
    """One line for several findings of a kind: how many of what, and in which file or folder."""
    where = one.file if len(set(files)) == 1 and len(files) > 1 else Path(one.file).parent
    words = TOGETHER.get(one.kind)
    what = words.format(n=len(files)) if words else f"{len(files)} {one.kind} files"
    return f"{where}: {what}"


def show_search(used: Path, named: str | None) -> None:
    """Print which settings file is read and, where none was named, which places were searched before it."""
    if named is not None:
        click.echo(f"settings: {used}")
        return
    before: list[Path] = []
    for path in searched_paths():
        if path == used:
            break
        before.append(path)
    why = f", because there is no {', '.join(str(p) for p in before)}" if before else ""
    whose = " of the program" if used.is_relative_to(data_root()) and used not in searched_paths() else ""
    click.echo(f"settings: {used}{whose}{why}")
