"""The command's start: which modules it imports, and whether each listed command exists."""

import subprocess
import sys

import click

from alertd.cli.main import cli


def test_every_listed_command_can_be_loaded() -> None:
    context = click.Context(cli)
    for name in cli.list_commands(context):
        command = cli.get_command(context, name)
        assert command is not None, name
        assert command.name == name
        assert command.help, name


def test_help_imports_no_numerical_or_database_library() -> None:
    script = "import sys; from alertd.cli.main import main\ntry: main(['--help'])\nfinally: print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert "click" in loaded
    assert not loaded & {"numpy", "httpx", "sqlalchemy", "pydantic", "shapely", "rich"}
