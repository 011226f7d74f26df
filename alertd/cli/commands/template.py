"""`alertd template` and `alertd stops`: examples of every file that an operator writes."""

import json

import click

from alertd.errors import InputError


@click.command()
@click.argument("name", required=False)
@click.option("--schema", is_flag=True, help="Print the JSON Schema instead of an example.")
def template(name: str | None, schema: bool) -> None:
    """Print an example of the file or request body NAME; without NAME, list them."""
    print_template(name, schema=schema)


@click.group()
def stops() -> None:
    """Places where trucks can stop."""


@stops.command("template")
def stops_template() -> None:
    """Print an example of a stops file, with every key."""
    print_template("stops")


def print_template(name: str | None, *, schema: bool = False) -> None:
    """Print a template by name, or the list of them. Raises InputError for an unknown name."""
    from alertd.cli.first_day.templates import templates

    known = templates()
    if name is None:
        for key, one in known.items():
            click.echo(f"{key:10}{one.about}{'' if one.schema is None else ' (--schema)'}")
        return
    if name not in known:
        raise InputError("template", "", f'nothing is named "{name}"', f"name one of: {', '.join(known)}")
    found = known[name]
    if not schema:
        click.echo(found.text(), nl=False)
    elif found.schema is None:
        raise InputError("template", name, "has no JSON Schema", "leave --schema out and follow the example")
    else:
        click.echo(json.dumps(found.schema(), indent=1, ensure_ascii=False))
