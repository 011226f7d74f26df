"""Questions of `alertd init` that are asked again until the answer can be used."""

import shlex
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import click

from alertd.cli.first_day.starter import check_contact, check_preset, check_route
from alertd.errors import InputError

T = TypeVar("T")


def ask_again(question: str, read: Callable[[str], T], *, default: str | None = None) -> T:
    """Ask until `read` takes the answer: a slip at the last question must not cost the answers before it."""

    def checked(text: str) -> T:
        try:
            return read(text.strip())
        except InputError as exc:
            line = f"{exc.problem}; {exc.hint}" if exc.where.startswith("--") else str(exc)  # no option was given here
            raise click.UsageError(line) from exc

    answer: T = click.prompt(question, default=default, value_proc=checked)
    return answer


def read_contact(text: str) -> str:
    """The contact. Raises InputError for one that reaches nobody."""
    check_contact(text)
    return text


def read_route(text: str) -> Path:
    """The GPX file, also as a terminal writes it when it is dragged there: in quotes, or with escaped spaces.

    Raises InputError for a file that no plan reads.
    """
    path = Path(text).expanduser()
    if not path.exists():
        try:
            words = shlex.split(text)
        except ValueError:  # an open quote
            words = []
        path = Path(words[0]).expanduser() if len(words) == 1 else path
    check_route(path)
    return path


def read_preset(text: str) -> str:
    """The id of a shipped rig. Raises InputError."""
    check_preset(text)
    return text
