"""`alertd plan`: what it prints, what it refuses in one line, and which status it ends with."""

import json
import os
import re
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from click.testing import Result

from alertd.testing.fake_open_meteo import ApiFault, FakeOpenMeteo, FaultKind

Alertd = Callable[..., Result]
Mistake = Callable[..., str]
WriteConfig = Callable[..., Path]


@pytest.fixture
def asked(write_config: WriteConfig, soon: datetime) -> list[object]:
    """Options of a sound request, on a source that is not there."""
    return ["--rig", "quillback-17", "--depart", soon.isoformat(), "--config", write_config()]


def test_plan_shows_places_tires_speed_age_and_who_decides(
    alertd: Alertd, write_config: WriteConfig, storm_soon: FakeOpenMeteo, soon: datetime, demo: Path
) -> None:
    config = write_config(forecasts=storm_soon.base_url)
    result = alertd(
        "plan", demo / "i90-west.gpx", "--rig", "quillback-17", "--depart", soon.isoformat(), "--config", config
    )
    assert result.exit_code == 0, result.stderr
    text = " ".join(result.stdout.split())
    # Where the road between the passes may need chains too, one stretch names both.
    assert re.search(r"Lookout Pass( and Fourth of July Pass)?, westbound \(US-MT, US-ID\)", text)
    assert "PLAN TO CHAIN" in text or "HOLD BELOW IT" in text
    assert re.search(
        r"hang (Oddly Fine Diesel, I-90 WB, MT mile 16|Cinder Ford chain-up area, I-90 WB, MT mile 6)", text
    )
    assert "tires 6: 4 drive: all 4, front drive axle; trailer: 2 outside dual left+right, rear axle" in text
    assert "25 mph on snow and ice, 20 mph on bare road" in text
    assert "forecast open-meteo" in text
    assert "under 1 h old" in text
    assert "Rules as of 2023-10-01, read " in text
    assert "Posted signs and officers decide." in text


def test_json_is_all_that_stands_on_standard_output(
    alertd: Alertd, write_config: WriteConfig, storm_soon: FakeOpenMeteo, soon: datetime, demo: Path
) -> None:
    config = write_config(forecasts=storm_soon.base_url)
    result = alertd(
        "plan", demo / "i90-west.gpx", "--rig", "quillback-17", "--depart", soon.isoformat(), "--config", config,
        "--driver", "Odalys Fenwright", "--json",
    )  # fmt: skip
    assert result.exit_code == 0, result.stderr
    plan = json.loads(result.stdout)
    assert plan["format"] == "alertd.plan/1"
    assert plan["driver"] == "Odalys Fenwright"
    assert plan["advice"] in {"chain", "hold"}
    assert result.stderr == ""


def test_leaving_at_another_time_is_compared_unless_told_not_to(
    alertd: Alertd, write_config: WriteConfig, storm_soon: FakeOpenMeteo, soon: datetime, demo: Path
) -> None:
    config = write_config(forecasts=storm_soon.base_url)
    asked = ["plan", demo / "i90-west.gpx", "--rig", "quillback-17", "--depart", soon.isoformat(), "--json"]
    plan = json.loads(alertd(*asked, "--config", config).stdout)
    assert soon.timestamp() in {datetime.fromisoformat(d["depart_at"]).timestamp() for d in plan["departures"]}
    without = json.loads(alertd(*asked, "--config", config, "--no-compare").stdout)
    assert (without["departures"], without["picks"]) == ([], [])
    assert [s["chain_up"]["stop_id"] for s in without["stretches"]] == [
        s["chain_up"]["stop_id"] for s in plan["stretches"]
    ]
    never = write_config(
        forecasts=storm_soon.base_url, changes={"[daemon]": "[plan]\ncompare_departures_h = 0\n[daemon]"}
    )
    assert json.loads(alertd(*asked, "--config", never).stdout)["departures"] == []


def test_several_routes_are_compared_and_the_first_is_the_plan(
    alertd: Alertd, mistake: Mistake, write_config: WriteConfig, storm_soon: FakeOpenMeteo, soon: datetime, demo: Path
) -> None:
    config = write_config(forecasts=storm_soon.base_url)
    rest = ["--rig", "quillback-17", "--depart", soon.isoformat(), "--config", config]
    west, east = demo / "i90-west.gpx", demo / "i90-east.gpx"
    text = " ".join(alertd("plan", west, east, *rest).stdout.split())
    assert "I-90 west" in text
    assert "By way of i90-east: " in text
    plan = json.loads(alertd("plan", west, east, *rest, "--json").stdout)
    assert [o["name"] for o in plan["other_routes"]] == ["i90-east"]
    assert mistake("plan", west, demo / "none.gpx", *rest).startswith("none.gpx: cannot be read (No such file")


def test_rig_file_works_and_a_bracket_in_its_name_is_no_markup(
    alertd: Alertd, write_config: WriteConfig, storm_soon: FakeOpenMeteo, soon: datetime, demo: Path, tmp_path: Path
) -> None:
    rig = tmp_path / "my-truck.toml"
    text = (demo / "rigs" / "quillback-17.toml").read_text(encoding="utf-8")
    rig.write_text(text.replace("Quillback 17", "Truck [/7] :snowflake:"), encoding="utf-8")
    config = write_config(forecasts=storm_soon.base_url)
    result = alertd("plan", demo / "i90-west.gpx", "--rig", rig, "--depart", soon.isoformat(), "--config", config)
    assert result.exit_code == 0, result.stderr
    assert "Truck [/7] :snowflake:" in result.stdout


@pytest.mark.parametrize("kind", [FaultKind.LIMIT_DAY, FaultKind.HTML])
def test_no_forecast_is_be_ready_with_source_and_status_3(
    kind: FaultKind, alertd: Alertd, write_config: WriteConfig, storm_soon: FakeOpenMeteo, soon: datetime, demo: Path
) -> None:
    storm_soon.set_fault(ApiFault(kind=kind))
    config = write_config(forecasts=storm_soon.base_url)
    result = alertd(
        "plan", demo / "i90-west.gpx", "--rig", "quillback-17", "--depart", soon.isoformat(), "--config", config
    )
    text = " ".join(result.stdout.split())
    assert result.exit_code == 3, result.stderr
    assert "BE READY TO CHAIN" in text
    assert "NO WINTER ROAD" not in text
    assert "caution open-meteo: no forecast (" in text


# Departures and rigs


@pytest.mark.parametrize(
    ("depart", "expected"),
    [
        ("2020-01-14T04:45-07:00", "--depart: 2020-01-14T04:45:00-07:00 is in the past, it is "),
        ("2027-01-14T04:45", '--depart: "2027-01-14T04:45" has no UTC offset; add the offset from UTC'),
        ("tomorrow at dawn", '--depart: "tomorrow at dawn" is not a date and time; write e.g. 2027-01-14T04:45:00'),
        ("2999-01-14T04:45-07:00", "is more than 15 days from now and no forecast reaches that far; plan it again"),
        ("9999-12-31T23:59-14:00", "is outside the calendar; write e.g."),
        ("", '--depart: "" is not a date and time'),
    ],
)
def test_a_departure_that_cannot_be_planned_is_told(
    depart: str, expected: str, mistake: Mistake, write_config: WriteConfig, demo: Path
) -> None:
    line = mistake(
        "plan", demo / "i90-west.gpx", "--rig", "quillback-17", "--depart", depart, "--config", write_config()
    )
    assert expected in line


def test_unknown_missing_and_broken_rigs_are_reported(
    mistake: Mistake, write_config: WriteConfig, soon: datetime, demo: Path, tmp_path: Path
) -> None:
    def reported(rig: object) -> str:
        return mistake(
            "plan", demo / "i90-west.gpx", "--rig", rig, "--depart", soon.isoformat(), "--config", write_config()
        )

    broken = tmp_path / "broken.toml"
    broken.write_text((demo / "rigs" / "quillback-17.toml").read_text(encoding="utf-8").replace("gross_lb", "gros_lb"))
    folder = tmp_path / "folder.toml"
    folder.mkdir()
    assert reported("quillback-99").startswith('plan: rig: "quillback-99" is not known; name one of: quillback-17')
    assert "mend that" not in reported("quillback-99")
    assert reported(tmp_path / "none.toml").endswith(
        "none.toml: cannot be read (No such file or directory); check the name and permissions"
    )
    assert reported(broken).endswith("broken.toml: gros_lb: unknown key; write gross_lb")
    assert reported(folder).endswith("folder.toml: cannot be read (Is a directory); check the name and permissions")


def test_a_driver_with_control_characters_is_refused(mistake: Mistake, asked: list[object], demo: Path) -> None:
    line = mistake("plan", demo / "i90-west.gpx", *asked, "--driver", "An\x1b[2Jn")
    assert line == "plan: driver: has a line break or control character; write a name on one line"


@pytest.mark.parametrize("args", [["plan"], ["plan", "x.gpx"], ["plan", "x.gpx", "--rigg", "y"], ["plough"]])
def test_wrong_usage_ends_with_status_2(args: list[str], alertd: Alertd) -> None:
    result = alertd(*args)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "Usage: alertd" in result.stderr


# Routes


def gpx(*points: tuple[float, float], ele: bool = True) -> str:
    height = "<ele>900</ele>" if ele else ""
    inside = "".join(f'<trkpt lat="{lat}" lon="{lon}">{height}</trkpt>' for lat, lon in points)
    return f'<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1"><trk><trkseg>{inside}</trkseg></trk></gpx>'


NEAR = [(46.9 + 0.01 * n, -114.1 - 0.01 * n) for n in range(30)]
BOMB = '<!DOCTYPE gpx [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;&a;">]><gpx>&b;</gpx>'


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "route.gpx: is empty; export the route again"),
        (gpx(*NEAR)[:700], "invalid XML here"),
        ("<!doctype html><html><body>Sign in</body></html>", "route.gpx: "),
        (BOMB, "route.gpx: DOCTYPE: document types and entities are refused; remove the DOCTYPE"),
        (gpx((46.9, -114.1), (146.9, -114.1)), "track point 2 lat: 146.9 is not within -90 to 90"),
        (gpx(*((lon, lat) for lat, lon in NEAR)), "exchange lat and lon: they look swapped"),
        (gpx((46.9, -314.1), (46.9, -114.1)), "track point 1 lon: -314.1 is not within -180 to 180"),
        (gpx((46.9, -114.1)), "has fewer than two different points; export the whole route as a track"),
        (gpx(*NEAR, (48.0, -118.3)), "km lie between them, so the road there and its heights are unknown"),
        (gpx(("north", -114.1), *NEAR), "track point 1 lat: 'north' is not a number of degrees"),  # type: ignore[arg-type]
    ],
    ids=["empty", "cut off", "html", "bomb", "range", "swapped", "lon range", "one point", "gap", "words"],
)
def test_a_route_that_cannot_be_trusted_is_told(
    text: str, expected: str, mistake: Mistake, asked: list[object], tmp_path: Path
) -> None:
    route = tmp_path / "route.gpx"
    route.write_text(text, encoding="utf-8")
    line = mistake("plan", route, *asked)
    assert line.startswith("route.gpx: ")
    assert expected in line
    assert "; " in line


def test_a_route_that_is_missing_huge_or_a_folder_is_told(
    mistake: Mistake, asked: list[object], tmp_path: Path
) -> None:
    huge = tmp_path / "huge.gpx"
    with huge.open("wb") as file:
        os.truncate(file.fileno(), 200_000_000)  # sparse: takes no room
    assert mistake("plan", huge, *asked).startswith("huge.gpx: size: 200.0 MB exceeds the limit of 20 MB; ")
    assert mistake("plan", tmp_path / "none.gpx", *asked).startswith("none.gpx: cannot be read (No such file")
    assert mistake("plan", tmp_path, *asked) == f"{tmp_path.name}: is a folder; name the GPX file itself"


def test_a_route_without_heights_needs_a_source_of_heights(
    alertd: Alertd,
    mistake: Mistake,
    write_config: WriteConfig,
    storm_soon: FakeOpenMeteo,
    soon: datetime,
    tmp_path: Path,
) -> None:
    route = tmp_path / "route.gpx"
    route.write_text(gpx(*NEAR, ele=False), encoding="utf-8")
    nws_only = write_config(
        changes={'sources = ["open-meteo"]': f'sources = ["nws"]\nnws_url = "{storm_soon.base_url}"'}
    )
    rest = ["--rig", "quillback-17", "--depart", soon.isoformat(), "--config"]
    line = mistake("plan", route, *rest, nws_only)
    assert line.startswith("route.gpx: ")
    assert "ele" in line
    with_heights = alertd("plan", route, *rest, write_config(forecasts=storm_soon.base_url))
    assert with_heights.exit_code == 0, with_heights.stderr


def test_a_source_of_heights_that_is_down_is_named(
    mistake: Mistake, write_config: WriteConfig, storm_soon: FakeOpenMeteo, soon: datetime, tmp_path: Path
) -> None:
    storm_soon.set_fault(ApiFault(kind=FaultKind.LIMIT_DAY))
    route = tmp_path / "route.gpx"
    route.write_text(gpx(*NEAR, ele=False), encoding="utf-8")
    config = write_config(forecasts=storm_soon.base_url)
    line = mistake("plan", route, "--rig", "quillback-17", "--depart", soon.isoformat(), "--config", config)
    assert line.startswith("open-meteo: ")
    assert "limit" in line


def test_trips_of_a_coming_day_are_planned_within_look_ahead(
    alertd: Alertd, write_config: WriteConfig, storm_soon: FakeOpenMeteo, soon: datetime, tmp_path: Path
) -> None:
    far = (soon + timedelta(days=300)).isoformat()
    trips = f"id,route,rig,depart\nT-1,i90-west,quillback-17,{soon.isoformat()}\nFAR,i90-west,quillback-17,{far}\n"
    (tmp_path / "trips.csv").write_text(trips, encoding="utf-8")
    config = write_config(forecasts=storm_soon.base_url, changes={"http_port = 0": 'trips = "trips.csv"'})
    result = alertd("brief", "--config", config, "--json")
    assert result.exit_code == 0, result.stderr
    brief = json.loads(result.stdout)
    assert "1 trip:" in brief["text"]
    assert "FAR" not in brief["text"]


def test_pictures_are_written_for_phone_and_desk_and_in_words(
    alertd: Alertd, write_config: WriteConfig, storm_soon: FakeOpenMeteo, soon: datetime, demo: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "new" / "pictures"
    result = alertd(
        "plan", demo / "i90-west.gpx", "--rig", "quillback-17", "--depart", soon.isoformat(), "--json",
        "--config", write_config(forecasts=storm_soon.base_url), "--pictures", folder,
    )  # fmt: skip
    assert result.exit_code == 0, result.stderr
    plan = json.loads(result.stdout)
    drawn = {f"{name}{width}.svg" for name in ("road", "hours", "map") for width in ("", "-phone")}
    axles = {f"axles-{n}.svg" for n in range(1, len(plan["stretches"]) + 1)}
    assert {p.name for p in folder.iterdir()} == {*drawn, *axles, "pictures.txt"}
    words = (folder / "pictures.txt").read_text(encoding="utf-8")
    assert plan["stretches"]
    assert all(s["chain_up"]["name"] in words and s["chain_off"]["name"] in words for s in plan["stretches"])
    assert max(p.stat().st_size for p in folder.glob("*.svg")) < 60_000


def test_a_folder_that_cannot_be_written_is_one_line(
    mistake: Mistake, write_config: WriteConfig, storm_soon: FakeOpenMeteo, soon: datetime, demo: Path, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("in the way")
    expected = mistake(
        "plan", demo / "i90-west.gpx", "--rig", "quillback-17", "--depart", soon.isoformat(), "--no-compare",
        "--config", write_config(forecasts=storm_soon.base_url), "--pictures", tmp_path / "file",
    )  # fmt: skip
    assert expected.startswith("--pictures: ")
    assert "name another folder" in expected


def test_brief_is_a_self_contained_page_and_a_pdf(
    alertd: Alertd, write_config: WriteConfig, mistake: Callable[..., str], storm_soon: FakeOpenMeteo, soon: datetime,
    tmp_path: Path,
) -> None:  # fmt: skip
    trips = f"id,route,rig,depart\nT-1,i90-west,quillback-17,{soon.isoformat()}\n"
    (tmp_path / "trips.csv").write_text(trips, encoding="utf-8")
    config = write_config(forecasts=storm_soon.base_url, changes={"http_port = 0": 'trips = "trips.csv"'})
    result = alertd("brief", "--config", config, "--html", tmp_path / "b.html")
    assert result.exit_code == 0, result.stderr
    page = (tmp_path / "b.html").read_text(encoding="utf-8")
    assert not re.search(r'(src|href)="(?!#|https?://|data:)', page), "a file beside it is needed"
    assert "T-1" in page
    line = mistake("brief", "--config", config, "--html", tmp_path / "no" / "b.html")
    assert line.startswith("--html: ")
    pytest.importorskip("weasyprint")
    assert alertd("brief", "--config", config, "--pdf", tmp_path / "b.pdf").exit_code == 0
    assert (tmp_path / "b.pdf").read_bytes().startswith(b"%PDF-")
