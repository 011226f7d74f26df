"""Prints the findings of a check: every mistake in full, and what is right as one line a kind."""

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import click

from alertd.cli.checking.finding import Finding
from alertd.cli.paths import searched_paths
from alertd.settings.shipped import data_root


def show_findings(findings: Sequence[Finding], *, verbose: bool) -> None:
    """Print one line a finding; without `verbose`, several files of one kind share a line."""
    count = Counter((f.level, f.kind) for f in findings)
    shown: set[tuple[str, str]] = set()
    for level in ("ok", "look", "wrong"):
        for f in findings:
            if f.level != level:
                continue
            same = (level, f.kind)
            if verbose or level == "wrong" or not f.kind or count[same] == 1:
                click.echo(f"{level:8}{f.text}")
            elif same not in shown:
                shown.add(same)
                click.echo(f"{level:8}{Path(f.file).parent}: {count[same]} {f.kind} files")
    wrong_n, look_n, ok_n = (sum(f.level == level for f in findings) for level in ("wrong", "look", "ok"))
    click.echo(f"{wrong_n} wrong, {look_n} to look at, {ok_n} right; -v lists each file")


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
