"""`alertd help` and `alertd completion`: how to use the commands."""

import click
from click.shell_completion import get_completion_class

from alertd.errors import InputError


@click.command(name="help")
@click.argument("words", nargs=-1, metavar="[COMMAND]...")
@click.pass_context
def help_command(ctx: click.Context, words: tuple[str, ...]) -> None:
    """Print the help of a command, e.g. `alertd help trips add`; without one, the list of commands."""
    root = ctx.find_root()
    group: click.Command = root.command
    inner = root
    for word in words:
        found = group.get_command(inner, word) if isinstance(group, click.Group) else None
        if found is None:
            raise InputError("help", "", f'"{" ".join(words)}" is no command', "`alertd help` lists the commands")
        group, inner = found, click.Context(found, info_name=word, parent=inner)
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
