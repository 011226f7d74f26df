"""The real command, run in this process with the system's clock; only its sources stand on loopback."""

from collections.abc import Callable, Iterator
from datetime import datetime, timedelta

import pytest
from click.testing import CliRunner, Result

from alertd.cli.main import cli
from alertd.clock import system_clock
from alertd.testing.fake_open_meteo import FakeOpenMeteo
from alertd.testing.weather.storm import FRONT_EPOCH_S, Storm


@pytest.fixture
def alertd() -> Callable[..., Result]:
    def run(*args: object) -> Result:
        return CliRunner().invoke(cli, [str(a) for a in args], prog_name="alertd")

    return run


@pytest.fixture
def mistake(alertd: Callable[..., Result]) -> Callable[..., str]:
    """The one line that the command says on standard error; nothing else is said and the status is 1."""

    def run(*args: object) -> str:
        result = alertd(*args)
        assert isinstance(result.exception, SystemExit), result.exception
        assert (result.exit_code, result.stdout) == (1, "")
        (line,) = result.stderr.splitlines()
        assert line.startswith("alertd: ")
        return line.removeprefix("alertd: ")

    return run


@pytest.fixture(scope="session")
def soon() -> datetime:
    return (system_clock() + timedelta(hours=2)).replace(microsecond=0)


@pytest.fixture
def storm_soon(soon: datetime) -> Iterator[FakeOpenMeteo]:
    """The invented storm, its front moved to where it stands when the first truck is on the road, and colder."""
    late_h = (soon.timestamp() - FRONT_EPOCH_S) / 3600.0 + 2.0
    with FakeOpenMeteo(now_utc=system_clock(), storm=Storm(front_late_h=late_h, warmer_k=-2.0)) as api:
        yield api
