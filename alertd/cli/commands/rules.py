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
@click.option("--sheet", is_flag=True, help="Print the sheet for an officer: one rig, place and level.")
@click.option("--place", metavar="ZONE", help="With --sheet: a zone of the rule file; the whole land if left out.")
@click.option(
    "--html",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="With --sheet: write a page to print.",
)
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
    sheet: bool,
    place: str | None,
    html: Path | None,
    schema: Literal["rule", "rig", "limits"] | None,
    svg: Path | None,
    config: str | None,
    as_json: bool,
) -> None:
    """Print the chain rules of CODE (e.g. US-WA) for a rig; without CODE, what is on file.

    `alertd rules diff CODE DATE DATE` prints which rigs owe more or fewer chains, where, and from when.
    """
    from alertd.cli import law, officer
    from alertd.cli import rules as listing
    from alertd.rules.law_on import ruleset_on
    from alertd.sources.files.laws.ruleset import read_rulesets

    if schema:
        click.echo(json.dumps(listing.file_schema(schema), indent=2))
        return
    settings = read_settings(settings_path(config))
    places, today = settings.places, law.parse_day(on) if on else system_clock().date()
    rulesets = read_rulesets(places.rules)
    if doubts:
        law.print_doubts(settings, rulesets, today, as_json=as_json)
        return
    if code == "diff":
        law.print_diff(rulesets, dates, read_rigs(rigs_dir or places.rigs), as_json=as_json)
        return
    if dates:
        raise InputError("rules", "CODE", f"{len(dates) + 1} codes given", "name one, or write diff CODE DATE DATE")
    if code is None:
        listing.print_list(rulesets, today, as_json=as_json)
        return
    ruleset = ruleset_on(listing.find_ruleset(rulesets, code), today)
    rigs = read_rigs(places.rigs) if places.rigs.is_dir() else {}
    for_rig = read_rig(Path(rig)) if rig and rig.endswith(".toml") else listing.find_rig(rigs, rig)
    if sheet:
        officer.print_sheet(
            ruleset, for_rig, officer.Wanted(day=today, place=place, level=level, page=html, as_json=as_json)
        )
        return
    if place or html:
        raise InputError("rules", "--place" if place else "--html", "is only for --sheet", "add --sheet")
    levels = listing.levels_for(ruleset, for_rig, level)
    if svg:
        try:
            svg.write_text(listing.strictest_svg(ruleset, for_rig, levels), encoding="utf-8")
        except OSError as exc:
            raise InputError(str(svg), "", f"cannot be written ({exc.strerror})", "name another file") from exc
    if as_json:
        click.echo(json.dumps(listing.rules_json(ruleset, for_rig, levels, today), indent=1, ensure_ascii=False))
    else:
        listing.show_rules(ruleset, for_rig, levels, create_console(), today)
    sys.exit(PARTIAL if ruleset.review_overdue(today) else 0)
