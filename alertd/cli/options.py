"""Arguments, options and exit statuses that several commands share."""

import json
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rich.console import Console

    from alertd.plan.model.plan import Plan
    from alertd.planning.plan_inputs import PlanInputs

PARTIAL, DIFFERS = 3, 3
NARROWEST, PIPED = 60, 100  # characters in a line

config_option = click.option(
    "--config", "config", metavar="FILE", help="Settings; `alertd check --help` lists where they are searched."
)
json_option = click.option("--json", "as_json", is_flag=True, help="JSON on standard output.")
explain_option = click.option("--explain", is_flag=True, help="How each stretch's advice came about, number by number.")
at_option = click.option("--at", type=float, metavar="MILES", help="Explain the place so far from the start.")


def print_result(as_json: bool, text: str, **values: object) -> None:
    """Print what a command did: a sentence, or the values as one JSON object."""
    click.echo(json.dumps(values, ensure_ascii=False) if as_json else text)


def print_origin(used: str) -> None:
    """Print which store and feeds the plan was made with, on standard error: programs read standard output."""
    if used:
        click.echo(f"alertd: {used}", err=True)


def print_explanation(made: "Plan", inputs: "PlanInputs", at: float | None, as_json: bool) -> None:
    from alertd.cli import explain as sheet

    places = inputs.explain(made, sheet.position_m(made, at))
    if as_json:
        click.echo(json.dumps(sheet.explained_json(made, places), ensure_ascii=False))
    else:
        sheet.show_explained(made, places, create_console())


def text_width(console: "Console", widest: int) -> int:
    """The length to wrap text at, so that a narrow terminal does not wrap it again."""
    return min(widest, console.width - 1) if console.is_terminal else widest


def create_console() -> "Console":
    """Names of places and rigs come from files: a bracket or colon in them is no markup."""
    from rich.console import Console  # a tenth of a second that --json does not need

    own = Console()
    # A pipe or file has no width of its own: there the lines are as long as on a wide terminal.
    width = max(own.width, NARROWEST) if own.is_terminal else max(own.width, PIPED)
    return Console(width=width, markup=False, emoji=False)
