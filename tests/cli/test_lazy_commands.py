"""The command's start: which modules it imports, and whether each listed command exists."""

import json
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from alertd.cli.event_loop import run_work
from alertd.cli.main import cli
from alertd.cli.progress import progress_of


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


def modules_after(script: str) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", f"{script}\nimport sys; print(*sys.modules)"], capture_output=True, text=True, check=True
    )
    return set(done.stdout.splitlines()[-1].split())


def test_help_imports_few_modules_of_the_project() -> None:
    """A bare click program imports about as much as this: numbers of modules do not depend on the machine's load."""
    bare = modules_after("import click")
    loaded = modules_after("from alertd.cli.main import main\ntry: main(['--help'])\nexcept SystemExit: pass")
    assert {name for name in loaded if name.startswith("alertd")} == {
        "alertd",
        "alertd.cli",
        "alertd.cli.lazy_group",
        "alertd.cli.main",
        "alertd.cli.progress",
        "alertd.errors",
    }
    assert len(loaded - bare) < 40


def test_plan_imports_no_library_of_other_work() -> None:
    """Libraries of the daemon, its mail and its store, and of sources that the plan may not have."""
    loaded = modules_after(
        "import alertd.cli.commands.plan, alertd.planning.one_off, alertd.planning.planner, alertd.settings.extensions"
    )
    assert "numpy" in loaded
    unneeded = {
        "aiosmtplib",
        "alembic",
        "apprise",
        "apscheduler",
        "fastapi",
        "filelock",
        "httpx",
        "jinja2",
        "jmespath",
        "metar",
        "procrastinate",
        "prometheus_client",
        "psycopg",
        "rich",
        "sqlalchemy",
        "standardwebhooks",
        "starlette",
        "uvicorn",
    }
    assert not loaded & unneeded
    # Each module of the project costs a millisecond or two. A new one is fine; a package of other work is not.
    assert len({name for name in loaded if name.startswith("alertd")}) <= 420
    assert len(loaded) <= 885


def test_settings_with_a_plain_webhook_load_no_http_library() -> None:
    demo = Path(__file__).resolve().parents[2] / "fixtures" / "demo" / "alertd.toml"
    script = (
        f"from pathlib import Path; from alertd.settings.read import read_settings; read_settings(Path({str(demo)!r}))"
    )
    assert "[[webhook]]" in demo.read_text(encoding="utf-8")
    assert "httpx" not in modules_after(script)


def test_result_of_a_command_is_not_printed_by_the_loop() -> None:
    """`asyncio.run` prints its task's result into an error text that it discards, which takes long for a plan."""
    printed: list[str] = []

    class Result:
        def __repr__(self) -> str:
            printed.append("repr")
            return "result"

    async def work() -> Result:
        return Result()

    assert isinstance(run_work(work()), Result)
    assert not printed


def test_help_prints_what_the_help_option_prints() -> None:
    run = CliRunner().invoke
    for words in ([], ["plan"], ["trips", "add"]):
        wanted = run(cli, [*words, "--help"], prog_name="alertd")
        assert run(cli, ["help", *words], prog_name="alertd").output == wanted.output
    unknown = run(cli, ["help", "trips", "fly"], prog_name="alertd")
    assert unknown.exit_code == 1
    assert '"trips fly" is no command; `alertd help` lists' in unknown.output


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_is_a_script_of_the_shell(shell: str) -> None:
    script = CliRunner().invoke(cli, ["completion", shell], prog_name="alertd").output
    assert f"_ALERTD_COMPLETE={shell}_complete" in script


def test_slow_commands_show_that_they_work_on_a_terminal(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("alertd.cli.progress.sys.stderr.isatty", lambda: True, raising=False)
    shown = threading.Event()
    monkeypatch.setattr("alertd.cli.progress.click.echo", lambda text, err: (print(text), shown.set()))
    with progress_of("check", after_s=(0.0,)):
        assert shown.wait(5.0)
    assert capsys.readouterr().out == "alertd check: at work for 0 s; Ctrl-C stops it\n"


def test_quick_commands_and_pipes_show_no_progress(capsys: pytest.CaptureFixture[str]) -> None:
    for command in ("check", "run"):
        with progress_of(command, after_s=(0.0,)):
            pass
    assert capsys.readouterr() == ("", "")


# What these print is a file or a script itself, or goes on until they are stopped.
WITHOUT_JSON = {
    "completion": "prints a script for a shell",
    "demo": "a show for people",
    "run": "a service, whose log may be JSON",
    "stops template": "prints the file itself",
    "template": "prints the file itself",
    "trips template": "prints the file itself",
    "watch": "a service, whose log may be JSON",
    "work": "a service, whose log may be JSON",
}


def commands_of(command: click.Command, name: str, context: click.Context) -> Iterator[tuple[str, click.Command]]:
    if not isinstance(command, click.Group):
        yield name, command
        return
    for word in command.list_commands(context):
        inner = command.get_command(context, word)
        assert inner is not None
        yield from commands_of(inner, f"{name} {word}".strip(), click.Context(inner, parent=context))


def test_every_command_has_json_or_a_reason() -> None:
    found = dict(commands_of(cli, "", click.Context(cli)))
    assert len(found) > 30
    lacking = {name for name, one in found.items() if not any("--json" in p.opts for p in one.params)}
    assert lacking == set(WITHOUT_JSON)


def test_help_lists_commands_for_programs() -> None:
    done = CliRunner().invoke(cli, ["help", "trips", "add", "--json"], prog_name="alertd")
    assert {"depart", "rig", "route"} <= {p["name"] for p in json.loads(done.output)["params"]}
