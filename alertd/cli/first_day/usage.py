"""`alertd help` and `alertd completion`: how to use the commands."""

import json

import click
from click.shell_completion import get_completion_class

from alertd.cli.options import json_option
from alertd.errors import InputError


@click.command(name="help")
@click.argument("words", nargs=-1, metavar="[COMMAND]...")
@json_option
@click.pass_context
def help_command(ctx: click.Context, words: tuple[str, ...], as_json: bool) -> None:
    """Print the help of a command, e.g. `alertd help trips add`; without one, the list of commands."""
    root = ctx.find_root()
    group: click.Command = root.command
    inner = root
    for word in words:
        found = group.get_command(inner, word) if isinstance(group, click.Group) else None
        if found is None:
            raise InputError("help", "", f'"{" ".join(words)}" is no command', "`alertd help` lists the commands")
        group, inner = found, click.Context(found, info_name=word, parent=inner)
    if as_json:
        click.echo(json.dumps(inner.to_info_dict()["command"], default=str, indent=1))
    else:
        click.echo(group.get_help(inner))


@click.command()
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
@click.pass_context
def completion(ctx: click.Context, shell: str) -> None:
    """Print a script by which SHELL completes commands and options.

    For bash: `alertd completion bash > ~/.local/share/bash-completion/completions/alertd`.
    """
    found = get_completion_class(shell)
    if found is None:
        raise InputError("completion", "", f"{shell} is not supported", "name bash, zsh or fish")
    click.echo(found(ctx.find_root().command, {}, "alertd", "_ALERTD_COMPLETE").source())
