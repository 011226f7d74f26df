"""`alertd rules`: the chain rules on file."""

import json
import sys
from pathlib import Path
from typing import Literal

import click

from alertd.cli.options import PARTIAL, config_option, create_console, json_option
from alertd.cli.paths import settings_path
from alertd.clock import system_clock
from alertd.errors import InputError
from alertd.settings.read import read_settings
from alertd.sources.files.rig import read_rig, read_rigs


@click.command()
@click.argument("code", required=False)
@click.argument("dates", nargs=-1)
@click.option("--date", "on", metavar="DATE", help="The law of this day; today if left out.")
@click.option("--doubts", is_flag=True, help="List what a person must read, most urgent first.")
@click.option(
    "--rigs",
    "rigs_dir",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    metavar="DIR",
    help="With diff: the rigs to compare; the rigs folder if left out.",
)
@click.option(
    "--rig", metavar="RIG", help="A rig's id from the rigs folder, or a rig file; a five-axle rig if left out."
)
@click.option("--level", metavar="ID", help="This level alone.")
@click.option(
    "--schema", type=click.Choice(["rule", "rig", "limits"]), help="Print the JSON Schema of such files instead."
)
@click.option("--svg", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help="Draw the axles there.")
@config_option
@json_option
def rules(
    code: str | None,
    dates: tuple[str, ...],
    on: str | None,
    doubts: bool,
    rigs_dir: Path | None,
    rig: str | None,
    level: str | None,
    schema: Literal["rule", "rig", "limits"] | None,
    svg: Path | None,
    config: str | None,
    as_json: bool,
) -> None:
    """Print the chain rules of CODE (e.g. US-WA) for a rig; without CODE, what is on file.

    `alertd rules diff CODE DATE DATE` prints which rigs owe more or fewer chains, where, and from when.
    """
    from alertd.cli import law
    from alertd.cli import rules as sheet
    from alertd.cli.rules import file_schema
    from alertd.rules.compare import law_changes
    from alertd.rules.law_on import ruleset_on
    from alertd.sources.files.laws.ruleset import read_rulesets

    if schema:
        click.echo(json.dumps(file_schema(schema), indent=2))
        return
    places, today = read_settings(settings_path(config)).places, system_clock().date()
    today = law.parse_day(on) if on else today
    rulesets = read_rulesets(places.rules)
    if doubts:
        rows = law.reading_list(rulesets, today)
        click.echo(json.dumps(rows, indent=1, ensure_ascii=False)) if as_json else law.show_doubts(rows)
        return
    if code == "diff":
        if not dates:
            raise InputError("rules", "diff", "no CODE given", "write alertd rules diff CODE DATE DATE")
        first, last = law.parse_days(dates[1:])
        compared = read_rigs(rigs_dir or places.rigs)
        changed = sheet.find_ruleset(rulesets, dates[0])
        if as_json:
            found = law.changes_json(law_changes(changed, first, last, compared.values()))
            click.echo(json.dumps(found, indent=1, ensure_ascii=False))
        else:
            law.show_changes(changed, first, last, compared)
        return
    if dates:
        raise InputError("rules", "CODE", f"{len(dates) + 1} codes given", "name one, or write diff CODE DATE DATE")
    if code is None:
        if as_json:
            listed = [{"code": c, "name": r.name, "aged": list(r.freshness(today))} for c, r in rulesets.items()]
            click.echo(json.dumps(listed, indent=1))
        else:
            sheet.show_list(rulesets, create_console(), today)
        return
    ruleset = ruleset_on(sheet.find_ruleset(rulesets, code), today)
    rigs = read_rigs(places.rigs) if places.rigs.is_dir() else {}
    for_rig = read_rig(Path(rig)) if rig and rig.endswith(".toml") else sheet.find_rig(rigs, rig)
    levels = sheet.levels_for(ruleset, for_rig, level)
    if svg:
        try:
            svg.write_text(sheet.strictest_svg(ruleset, for_rig, levels), encoding="utf-8")
        except OSError as exc:
            raise InputError(str(svg), "", f"cannot be written ({exc.strerror})", "name another file") from exc
    if as_json:
        click.echo(json.dumps(sheet.rules_json(ruleset, for_rig, levels, today), indent=1, ensure_ascii=False))
    else:
        sheet.show_rules(ruleset, for_rig, levels, create_console(), today)
    sys.exit(PARTIAL if ruleset.review_overdue(today) else 0)
