"""The first day: a settings folder by one command, examples of every file, and trips by command."""

import json
import re
import shutil
import socket
from datetime import datetime, timedelta
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner, Result

from alertd.cli.commands import init as command
from alertd.cli.first_day.network import has_network
from alertd.cli.first_day.templates import TRIP_COLUMNS, templates
from alertd.cli.main import cli
from alertd.settings.read import read_settings
from alertd.sources.files.trips import TripRequest, read_trips_file
from alertd.store.store import Store
from alertd.testing.fake_open_meteo import FakeOpenMeteo

ROOT = Path(__file__).resolve().parents[2]
WEST = ROOT / "fixtures" / "demo" / "i90-west.gpx"
GIVEN = ("--contact", "ops@fleet.example", "--no-plan")


def init(folder: Path, *more: str, answers: str = "") -> Result:
    return CliRunner().invoke(cli, ["init", str(folder), *more], input=answers)


@pytest.fixture
def alpine(tmp_path: Path) -> Path:
    """A short line over the Brenner, with two waypoints of which one states its kind."""
    points = "".join(f'<trkpt lat="{46.98 + 0.001 * n}" lon="11.5"><ele>{1300 + n}</ele></trkpt>' for n in range(40))
    places = (
        '<wpt lat="46.985" lon="11.5"><name>Nordkehre</name><type>rest area</type></wpt>'
        '<wpt lat="46.99" lon="11.5"><name>Gasthof</name></wpt>'
    )
    path = tmp_path / "brenner.gpx"
    path.write_text(
        '<gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1">'
        f"{places}<trk><trkseg>{points}</trkseg></trk></gpx>",
        encoding="utf-8",
    )
    return path


def test_one_command_makes_a_folder_that_check_accepts(tmp_path: Path) -> None:
    done = init(tmp_path / "mine", *GIVEN, "--business", "--route", str(WEST))
    assert done.exit_code == 0, done.output
    settings = read_settings(tmp_path / "mine" / "config" / "alertd.toml")
    assert (settings.contact, settings.noncommercial, settings.forecast.sources) == (
        "ops@fleet.example",
        False,
        ("nws",),
    )
    assert settings.brief_zone == "America/Denver"
    assert settings.trips is not None
    trips = read_trips_file(settings.trips)
    assert not trips.bad
    assert [(t.route, t.rig) for t in trips.trips] == [("i90-west.gpx", "truck-1")]
    checked = CliRunner().invoke(cli, ["check", "--config", str(settings.where), "--json"])
    assert not [f for f in json.loads(checked.output) if f["level"] == "wrong"]


@pytest.mark.parametrize(("way", "sources"), [("--business", ("met-norway",)), ("--noncommercial", ("open-meteo",))])
def test_sources_follow_the_land_and_the_use(way: str, sources: tuple[str, ...], alpine: Path, tmp_path: Path) -> None:
    done = init(tmp_path / "mine", *GIVEN, way, "--route", str(alpine))
    assert done.exit_code == 0, done.output
    settings = read_settings(tmp_path / "mine" / "config" / "alertd.toml")
    assert settings.forecast.sources == sources
    assert settings.brief_zone in {"Europe/Vienna", "Europe/Rome"}


def test_only_waypoints_that_state_their_kind_become_stops(alpine: Path, tmp_path: Path) -> None:
    done = init(tmp_path / "mine", *GIVEN, "--business", "--route", str(alpine))
    stops = json.loads((tmp_path / "mine" / "config" / "stops.geojson").read_text(encoding="utf-8"))
    assert [f["properties"]["kind"] for f in stops["features"]] == ["rest area"]
    assert "Gasthof" in done.output


def test_questions_are_five_at_most(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(command, "_can_ask", lambda: True)
    answers = f"Quillback Freight\nops@fleet.example\ny\n{WEST}\ntractor-6x4-van-53\n"
    done = init(tmp_path / "mine", "--no-plan", answers=answers)
    assert done.exit_code == 0, done.output
    assert read_settings(tmp_path / "mine" / "config" / "alertd.toml").fleet == "Quillback Freight"


def test_a_wrong_answer_is_asked_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The answers before it are kept; a path may come in quotes, as terminals write a dragged file."""
    monkeypatch.setattr(command, "_can_ask", lambda: True)
    spaced = tmp_path / "Süd Büro"
    spaced.mkdir()
    shutil.copyfile(WEST, spaced / "Über den Paß.gpx")
    (spaced / "empty.gpx").write_text('<gpx version="1.1"/>', encoding="utf-8")
    contact = ("Büro Süd", "nobody", "ops@fleet.example")
    route = ("", "nowhere.gpx", str(spaced), str(spaced / "empty.gpx"), f"'{spaced / 'Über den Paß.gpx'}'")
    answers = "\n".join(("", *contact, "maybe", "y", *route, "hovercraft", "tractor-6x4-van-53", ""))
    done = init(tmp_path / "mine ä", "--no-plan", answers=answers)
    assert done.exit_code == 0, done.output
    assert "Traceback" not in done.output
    for problem in (
        "no HTTP header",
        "neither an email address nor a page",
        "nowhere.gpx: cannot be read",
        "is a folder",
        "no track or route points",
        'no preset is named "hovercraft"',
    ):
        assert done.output.count(problem) == 1, problem
    assert read_settings(tmp_path / "mine ä" / "config" / "alertd.toml").contact == "ops@fleet.example"
    assert f"  cd '{tmp_path / 'mine ä'}'\n" in done.output  # can be copied into a shell
    assert "plan 'config/routes/Über den Paß.gpx' --rig" in done.output


def test_a_folder_in_use_is_refused_before_a_question(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(command, "_can_ask", lambda: True)
    (tmp_path / "mine" / "config").mkdir(parents=True)
    done = init(tmp_path / "mine")
    assert done.exit_code == 1
    assert "is there already" in done.output
    assert "Name of your fleet" not in done.output


def test_the_next_commands_name_the_program_in_use(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Installed in a folder that the shell does not search, it is named by its path."""
    monkeypatch.setattr("sys.argv", [str(tmp_path / "bin" / "alertd")])
    monkeypatch.setenv("PATH", str(tmp_path))
    done = init(tmp_path / "mine", *GIVEN, "--business", "--route", str(WEST))
    assert f"  {tmp_path / 'bin' / 'alertd'} check\n" in done.output


def test_an_offline_plan_says_that_nothing_was_asked(tmp_path: Path) -> None:
    done = init(tmp_path / "mine", "--contact", "ops@fleet.example", "--business", "--route", str(WEST), "--offline")
    assert done.exit_code == 3, done.output
    words = " ".join(done.output.split())
    assert "nws: no forecast (not asked, because this run is offline)" in words
    for wrong in ("ConnectError", "not asked again before", "The forecast ends"):
        assert wrong not in words


@pytest.mark.parametrize(
    ("more", "expected"),
    [
        (("--business", "--route", str(WEST), "--rig", "hovercraft"), "no preset is named"),
        (("--business", "--route", "nowhere.gpx"), "nowhere.gpx"),
        (("--route", str(WEST)), "--business or --noncommercial not given"),
        (("--business", "--route", str(WEST), "--depart", "tomorrow"), "--depart"),
    ],
)
def test_a_mistake_is_one_line_and_leaves_nothing(more: tuple[str, ...], expected: str, tmp_path: Path) -> None:
    done = init(tmp_path / "mine", *GIVEN, *more)
    assert done.exit_code == 1
    assert expected in done.output
    assert "Traceback" not in done.output
    assert not (tmp_path / "mine" / "config").exists()


def test_settings_that_are_there_are_never_changed(tmp_path: Path) -> None:
    there = tmp_path / "mine" / "config"
    there.mkdir(parents=True)
    (there / "alertd.toml").write_text("mine", encoding="utf-8")
    done = init(tmp_path / "mine", *GIVEN, "--business", "--route", str(WEST))
    assert done.exit_code == 1
    assert (there / "alertd.toml").read_text(encoding="utf-8") == "mine"


def test_first_plan_is_printed(tmp_path: Path, morning: datetime, monkeypatch: pytest.MonkeyPatch) -> None:
    init(tmp_path / "mine", *GIVEN, "--noncommercial", "--route", str(WEST))
    path = tmp_path / "mine" / "config" / "alertd.toml"
    monkeypatch.setattr(command, "system_clock", lambda: morning)
    with FakeOpenMeteo(now_utc=morning) as server:
        text = path.read_text(encoding="utf-8").replace('sources = ["nws"]', 'sources = ["open-meteo"]')
        path.write_text(text.replace("https://api.open-meteo.com", server.base_url), encoding="utf-8")
        settings = read_settings(path)
        monkeypatch.setattr(command, "create_console", lambda: printed)
        printed = _Console()
        status = command._show(
            command._make(settings, settings.places.routes / "i90-west.gpx", morning + timedelta(hours=2))
        )
    assert status in (0, command.PARTIAL)
    assert "Lookout Pass" in printed.text


class _Console:
    """Keeps what is printed."""

    def __init__(self) -> None:
        self.text = ""
        self.width, self.is_terminal = 120, False

    def print(self, *what: object, **_: object) -> None:
        self.text += " ".join(map(str, what)) + "\n"


def test_examples_fit_their_schemas() -> None:
    for name, one in templates().items():
        text = one.text()
        assert text.strip(), name
        if one.schema is not None and text.startswith("{"):
            jsonschema.Draft202012Validator(one.schema()).validate(json.loads(text))


def test_trips_example_has_every_column_of_a_trip(tmp_path: Path) -> None:
    path = tmp_path / "trips.csv"
    path.write_text(CliRunner().invoke(cli, ["trips", "template"]).output, encoding="utf-8")
    read = read_trips_file(path)
    assert (len(read.trips), read.bad, read.ignored) == (1, (), ())
    assert set(TRIP_COLUMNS) == set(TripRequest.model_fields) - {"routes"}


def test_trips_are_added_listed_and_cancelled(tmp_path: Path) -> None:
    init(tmp_path / "mine", *GIVEN, "--business", "--route", str(WEST))
    path = tmp_path / "mine" / "config" / "alertd.toml"
    settings = read_settings(path)
    assert isinstance(settings.store, Path)
    settings.store.parent.mkdir(parents=True)
    with Store(settings.store):
        pass

    def run(*words: str) -> Result:
        return CliRunner().invoke(cli, ["trips", *words, "--config", str(path)])

    new = ("T-7", "--route", "i90-west.gpx", "--rig", "truck-1", "--depart", "2099-01-14T04:45-07:00")
    assert run("add", *new).exit_code == 0
    assert "T-7" in run("list").output
    local = run("add", "T-9", *new[1:-1], "2099-01-14 04:45").output
    assert local == "T-9 is registered for 2099-01-14T04:45:00-07:00\n"
    foreign = run("add", "T-10", *new[1:-1], "2099-01-14T04:45-08:00").output
    assert "look: 2099-01-14T04:45:00-08:00 is 2099-01-14T05:45-07:00 at the start (America/Denver)" in foreign
    assert run("add", "T-8", *new[1:-1], "2020-01-14T04:45-07:00").exit_code == 1
    assert run("add", "T-8", "--route", "none.gpx", *new[3:]).exit_code == 1
    assert run("cancel", "T-7").exit_code == 0
    assert "T-7" not in run("list").output
    assert run("add", *new).exit_code == 1, "a cancelled id is not used again"
    assert run("cancel", "T-99").exit_code == 1


def test_folder_is_made_from_a_wheel_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An installed wheel carries the shipped settings in another folder."""
    data = tmp_path / "data"
    shutil.copytree(ROOT / "config", data / "config")
    monkeypatch.setattr("alertd.cli.first_day.starter.data_root", lambda: data)
    assert init(tmp_path / "mine", *GIVEN, "--business", "--route", str(WEST)).exit_code == 0


def offline_init(folder: Path, route: Path, monkeypatch: pytest.MonkeyPatch) -> Result:
    monkeypatch.setattr("alertd.cli.first_day.network.has_network", lambda settings: False)
    return init(folder, *GIVEN[:2], "--business", "--route", str(route))


def test_without_a_network_the_plan_comes_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No server is asked, and a road without a forecast never reads as clear."""
    done = offline_init(tmp_path / "mine", WEST, monkeypatch)
    assert done.exit_code == command.PARTIAL, done.output
    assert "No server was found" in done.output
    assert "BE READY TO CHAIN" in done.output
    assert "Road not known" in done.output
    assert "Posted signs and officers decide" in done.output
    assert "  alertd gather places\n  alertd gather zones\n  alertd check\n" in done.output


def test_json_has_the_plan_and_what_comes_next(tmp_path: Path) -> None:
    done = init(tmp_path / "mine", *GIVEN, "--business", "--route", str(WEST), "--json")
    made = json.loads(done.stdout)
    assert made["settings"].endswith("mine/config/alertd.toml")
    assert (made["sources"], made["plan"], made["not_planned"]) == (["nws"], None, "--no-plan was given")
    assert made["next"][-1] == "run"


def test_line_with_a_gap_leaves_no_folder(tmp_path: Path) -> None:
    """A second try with a better file must find nothing in its way."""
    path = tmp_path / "gap.gpx"
    points = "".join(f'<trkpt lat="47.5" lon="{lon}"><ele>900</ele></trkpt>' for lon in (-120.0, -119.9, -115.0))
    path.write_text(f"<gpx><trk><trkseg>{points}</trkseg></trk></gpx>", encoding="utf-8")
    done = init(tmp_path / "mine", *GIVEN, "--business", "--route", str(path))
    assert (done.exit_code, (tmp_path / "mine").exists()) == (1, False)
    assert "km lie between them" in done.output


def test_route_without_heights_ends_with_what_to_do(
    alpine: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bare = tmp_path / "bare.gpx"
    bare.write_text(re.sub("<ele>.*?</ele>", "", alpine.read_text(encoding="utf-8")), encoding="utf-8")
    done = offline_init(tmp_path / "mine", bare, monkeypatch)
    assert done.exit_code == command.PARTIAL, done.output
    assert "no plan yet: bare.gpx: ele: there are no heights; export it with elevations" in done.output
    assert "  alertd gather heights --tiles DIR\n" in done.output
    assert "alertd plan config/routes/bare.gpx --rig truck-1" in done.output


def test_network_is_found_by_one_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    init(tmp_path / "mine", *GIVEN, "--business", "--route", str(WEST))
    settings = read_settings(tmp_path / "mine" / "config" / "alertd.toml")

    def no_names(host: str, port: object) -> list[object]:
        raise socket.gaierror("no network")

    monkeypatch.setattr("alertd.cli.first_day.network.socket.getaddrinfo", no_names)
    assert not has_network(settings)
    monkeypatch.setattr("alertd.cli.first_day.network.socket.getaddrinfo", lambda host, port: [])
    assert has_network(settings)


def test_no_installer_files_are_copied(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = tmp_path / "data"
    shutil.copytree(ROOT / "config", data / "config")
    (data / "config" / "boundaries" / "__pycache__").mkdir(exist_ok=True)
    monkeypatch.setattr("alertd.cli.first_day.starter.data_root", lambda: data)
    init(tmp_path / "mine", *GIVEN, "--business", "--route", str(WEST))
    assert not list((tmp_path / "mine").rglob("__pycache__"))


def test_trips_are_listed_before_the_first_start(tmp_path: Path) -> None:
    init(tmp_path / "mine", *GIVEN, "--business", "--route", str(WEST))
    config = str(tmp_path / "mine" / "config" / "alertd.toml")
    done = CliRunner().invoke(cli, ["trips", "list", "--json", "--config", config])
    assert done.exit_code == 0, done.output
    assert [row["id"] for row in json.loads(done.stdout)] == ["T-1"]
    assert "not registered yet; `alertd run` registers the trips of trips.csv" in done.stderr
