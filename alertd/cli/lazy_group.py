"""A click group that imports a command's module only when that command is needed."""

import importlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import cast

import click
from click.shell_completion import CompletionItem

from alertd.cli.progress import progress_of
from alertd.errors import AlertdError

BAD_INPUT = 1


@dataclass(frozen=True, slots=True)
class LazyCommand:
    """Where a command is defined, and the line that the group's help prints for it."""

    module: str
    attribute: str
    summary: str


class LazyGroup(click.Group):
    """Turns errors of alertd into one line on standard error and status 1; an internal error keeps its traceback."""

    def __init__(self, lazy: Mapping[str, LazyCommand], **kwargs: object) -> None:
        super().__init__(**kwargs)  # type: ignore[arg-type]
        self.lazy = dict(lazy)

    def invoke(self, ctx: click.Context) -> object:
        try:
            return super().invoke(ctx)
        except AlertdError as exc:
            click.echo(f"alertd: {exc}", err=True)
            ctx.exit(BAD_INPUT)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        found = super().resolve_command(ctx, args)
        ctx.with_resource(progress_of(found[0] or ""))  # until the command ends
        return found

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted({*super().list_commands(ctx), *self.lazy})

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        where = self.lazy.get(cmd_name)
        if where is None:
            return super().get_command(ctx, cmd_name)
        return cast(click.Command, getattr(importlib.import_module(where.module), where.attribute))

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, self._summary(ctx, name)) for name in self.list_commands(ctx)])

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        found = [
            CompletionItem(name, help=self._summary(ctx, name))
            for name in self.list_commands(ctx)
            if name.startswith(incomplete)
        ]
        return [*found, *click.Command.shell_complete(self, ctx, incomplete)]

    def _summary(self, ctx: click.Context, name: str) -> str:
        if name in self.lazy:
            return self.lazy[name].summary
        command = self.get_command(ctx, name)
        return command.get_short_help_str() if command else ""
