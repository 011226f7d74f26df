"""`alertd check`, and what every command says of a settings file that cannot be read."""

import json
import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from click.testing import Result

from alertd.cli.checking.files import check_all
from alertd.store.store import Store

REPO = Path(__file__).resolve().parents[2]


def test_the_shipped_settings_have_nothing_wrong(alertd: Callable[..., Result]) -> None:
    result = alertd("check", "--config", REPO / "config" / "alertd.toml")
    assert "limits.toml: 0 posted speed limits" in result.stdout
    assert (result.exit_code, result.stderr) == (0, "")
    assert "operator.contact is empty" in result.stdout
    assert not [line for line in result.stdout.splitlines() if line.startswith("wrong")]


def test_the_demo_has_nothing_wrong_and_every_file_is_named(alertd: Callable[..., Result], demo: Path) -> None:
    result = alertd("check", "--config", demo / "alertd.toml", "--json")
    assert result.exit_code == 0
    findings = json.loads(result.stdout)
    assert {f["level"] for f in findings} <= {"ok", "look"}
    named = {Path(f["file"]).name for f in findings if f["level"] == "ok"}
    assert {p.name for p in [*demo.glob("*.gpx"), *demo.glob("rigs/*.toml")]} < named
    assert {"alertd.toml", "trips.csv", "stops.geojson", "us-mt.toml", "crossings.toml"} < named


def test_rules_without_an_outline_are_named(alertd: Callable[..., Result], tmp_path: Path) -> None:
    shutil.copytree(REPO / "config", tmp_path / "config")
    path = tmp_path / "config" / "alertd.toml"
    path.write_text(path.read_text().replace(', "boundaries/countries.topo.json"', ""))
    assert "rules of AT, CH, DE, ES, FI, FR, IT, JP, NO, PL, SE, SI apply to no route" in alertd(
        "check", "--config", path
    ).stdout.replace("\n", " ")


def test_every_bad_row_of_the_trips_file_is_named(
    alertd: Callable[..., Result], write_config: Callable[..., Path], tmp_path: Path
) -> None:
    good = "T-{n},i90-west,quillback-17,2027-01-14T04:45:00-07:00,x\n"
    rows = [good.format(n=n) for n in range(1, 5)]
    rows[1], rows[3] = rows[1].replace("quillback-17", ""), rows[3].replace("-07:00", "?")
    (tmp_path / "trips.csv").write_text("id,route,rig,depart,notes\n" + "".join(rows), encoding="utf-8")
    result = alertd("check", "--config", write_config(changes={"http_port = 0": 'http_port = 0\ntrips = "trips.csv"'}))
    lines = result.stdout.splitlines()
    wrong = [line.removeprefix("wrong").strip() for line in lines if line.startswith("wrong")]
    assert [line.split(";")[0].removeprefix(f"{tmp_path}/") for line in wrong] == [
        "trips.csv line 3: rig: missing",
        'trips.csv line 5: depart: "2027-01-14T04:45:00?" is not a date and time',
    ]
    assert all("; " in line for line in wrong)
    assert next(line for line in lines if "are ignored: notes" in line).startswith("look")
    assert any(line.endswith("trips.csv: 2 trips") for line in lines)
    assert result.exit_code == 1


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"members = 31": 'members = "31"'}, "alertd.toml: forecast.members: "),
        ({"members = 31": "member = 31"}, "alertd.toml: forecast.member: unknown key; write members"),
        ({"[operator]": "[operators]"}, "alertd.toml: operators: unknown key; write operator"),
        ({"[daemon]": "[daemon"}, "alertd.toml: not TOML: "),
        ({'fleet = "Quillback & Tarn Haulage (invented)"': ""}, "alertd.toml: operator.fleet: missing; add fleet = "),
        ({"[daemon]": "[plan]\ncompare_departures_h = 49\n[daemon]"}, "alertd.toml: plan.compare_departures_h: "),
        ({"[daemon]": "[plan]\ncompare_departures_h = -1\n[daemon]"}, "alertd.toml: plan.compare_departures_h: "),
        ({'brief_at = "03:30"': 'brief_at = "25:00"'}, 'daemon.brief_at: "25:00" is no local time of day; write e.g.'),
        ({'brief_at = "03:30"': 'brief_at = "03:30+02:00"'}, "daemon.brief_at: "),
        ({"America/Denver": "Montana"}, 'daemon.brief_zone: "Montana" is no time zone; write an IANA name'),
        ({'["open-meteo"]': '["open-meteor"]'}, "forecast.sources[1]: "),
        (
            {'sources = ["open-meteo"]': 'sources = ["open-meteo"]\nweights = { nws = 2.0 }'},
            'forecast.weights: "nws" is not among the sources; add it there',
        ),
        (
            {'sources = ["open-meteo"]': 'sources = ["open-meteo"]\nweights = { open-meteo = 0.0 }'},
            "forecast.weights.open-meteo: ",
        ),
        ({'audiences = ["fleet"': 'audiences = ["fleets"'}, "webhook[1].audiences[1]: "),
        ({"receiver-secret.txt": "no-secret.txt"}, "no-secret.txt cannot be read; make that file"),
        ({'["127.0.0.0/8"]': '["127.0.0.1/8"]'}, "webhook[1].allow_networks: "),
        ({"http_port = 0": "http_limits = {requests_per_min = 0}"}, "daemon.http_limits.requests_per_min: "),
    ],
)
def test_settings_mistake_is_one_line_with_file_key_and_mend(
    changes: dict[str, str], expected: str, mistake: Callable[..., str], write_config: Callable[..., Path]
) -> None:
    config = write_config(changes=changes)
    for command in (["run"], ["brief"], ["plan", "x.gpx", "--rig", "r", "--depart", "t"]):
        line = mistake(*command, "--config", config)
        assert expected in line
        assert str(config) in line
        assert "; " in line


def test_missing_folder_or_not_utf8_settings_are_reported(
    mistake: Callable[..., str], write_config: Callable[..., Path], tmp_path: Path
) -> None:
    latin = tmp_path / "latin.toml"
    latin.write_bytes(write_config().read_bytes().replace(b"Tarn", b"T\xe4rn"))
    for command in ("run", "brief"):
        assert mistake(command, "--config", tmp_path / "none.toml").endswith(
            "no such file; name your alertd.toml with --config"
        )
        assert mistake(command, "--config", tmp_path).endswith("is a folder; name the settings file in it")
        assert "latin.toml: not UTF-8 at byte " in mistake(command, "--config", latin)


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"http://127.0.0.1:9/alertd": "ftp://fleet.example/alertd"}, "webhook[1].url: "),
        ({"http://127.0.0.1:9/alertd": "http://fleet.example/a#b"}, "webhook[1].url: has a part after #"),
        ({"/stops.geojson": "/none.geojson"}, "none.geojson: "),
    ],
)
def test_check_finds_what_would_stop_the_daemon_at_start(
    changes: dict[str, str], expected: str, alertd: Callable[..., Result], write_config: Callable[..., Path]
) -> None:
    result = alertd("check", "--config", write_config(changes=changes))
    assert result.exit_code == 1
    assert [line for line in result.stdout.splitlines() if line.startswith("wrong") and expected in line]


def test_bridges_are_checked_where_they_are_named(
    alertd: Callable[..., Result], write_config: Callable[..., Path], tmp_path: Path
) -> None:
    bridges = tmp_path / "bridges.geojson"
    config = write_config(changes={'rigs = "': 'bridges = "bridges.geojson"\nrigs = "'})
    line = {"type": "LineString", "coordinates": [[-115.7, 47.4], [-115.699, 47.4]]}
    collection = {"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {}, "geometry": line}]}
    bridges.write_text(json.dumps(collection), encoding="utf-8")
    assert f"{bridges}: 1 bridge\n" in alertd("check", "--config", config).stdout
    line["type"] = "Polygon"
    bridges.write_text(json.dumps(collection), encoding="utf-8")
    result = alertd("check", "--config", config)
    assert result.exit_code == 1
    assert "bridges.geojson: features[0].geometry.type: 'Polygon' does not fit" in result.stdout


def test_check_names_every_broken_file_in_one_run(
    alertd: Callable[..., Result], write_config: Callable[..., Path], demo: Path, tmp_path: Path
) -> None:
    rigs, rules, routes = tmp_path / "rigs", tmp_path / "rules", tmp_path / "routes"
    for folder, name, origin in (
        (rigs, "one.toml", REPO / "fixtures/rigs_bad/unknown_key.toml"),
        (rules, "us-mt.toml", REPO / "fixtures/rules_bad/unknown_key.toml"),
        (routes, "cut.gpx", demo / "i90-west.gpx"),
    ):
        folder.mkdir()
        shutil.copy(origin, folder / name)
    (routes / "cut.gpx").write_bytes((routes / "cut.gpx").read_bytes()[:5000])
    (tmp_path / "trips.csv").write_text("id,route\n", encoding="utf-8")
    changes = {
        f'rigs = "{demo}/rigs"': f'rigs = "{rigs}"',
        f'rules = "{REPO}/config/rules"': f'rules = "{rules}"',
        f'routes = "{demo}"': f'routes = "{routes}"',
        "http_port = 0": 'trips = "trips.csv"',
    }
    result = alertd("check", "--config", write_config(changes=changes))
    wrong = [line for line in result.stdout.splitlines() if line.startswith("wrong")]
    assert result.exit_code == 1
    assert len(wrong) == 4
    for name in ("one.toml: ", "us-mt.toml: ", "cut.gpx: ", "trips.csv: "):
        assert len([line for line in wrong if name in line]) == 1, wrong
    assert "unknown key; " in wrong[0]


def test_missing_folders_of_rigs_and_routes_are_reported(
    alertd: Callable[..., Result], write_config: Callable[..., Path], demo: Path
) -> None:
    result = alertd("check", "--config", write_config(changes={f'rigs = "{demo}/rigs"': 'rigs = "none"'}))
    assert result.exit_code == 0
    assert "places.rigs: there is no folder " in result.stdout


def test_exposed_settings_need_a_token_before_the_first_start(write_config: Callable[..., Path]) -> None:
    path = write_config(
        changes={'brief_at = "03:30"': 'brief_at = "03:30"\npublic_url = "https://trips.fleet.example"'}
    )
    asked = "daemon.public_url needs a token before the first start"
    assert [f.level for f in check_all(path, date(2027, 1, 14)) if asked in f.text] == ["look"]
    with Store(path.parent / "alertd.db"):
        pass
    path.write_text(path.read_text().replace("var/alertd.db", "alertd.db"))
    assert not [f for f in check_all(path, date(2027, 1, 14)) if asked in f.text]


def test_check_shows_every_mistake_of_the_settings_and_goes_on(
    alertd: Callable[..., Result], write_config: Callable[..., Path], tmp_path: Path, demo: Path
) -> None:
    rigs = tmp_path / "rigs"
    rigs.mkdir()
    shutil.copy(REPO / "fixtures/rigs_bad/unknown_key.toml", rigs / "one.toml")
    changes = {
        "members = 31": 'members = "31"',
        'brief_at = "03:30"': 'brief_at = "25:00"',
        'fleet = "Quillback & Tarn Haulage (invented)"': "",
        "receiver-secret.txt": "no-secret.txt",
        f'rigs = "{demo}/rigs"': f'rigs = "{rigs}"',
    }
    result = alertd("check", "--config", write_config(changes=changes))
    wrong = [line for line in result.stdout.splitlines() if line.startswith("wrong")]
    for expected in ("forecast.members", '"25:00"', "operator.fleet: missing", "no-secret.txt", "rigs/one.toml"):
        assert sum(expected in line for line in wrong) == 1, expected
    assert not any('"-"' in line for line in wrong)
    assert len(wrong) == 5, wrong


def test_trips_that_name_no_rig_or_route_are_wrong(
    alertd: Callable[..., Result], write_config: Callable[..., Path], tmp_path: Path
) -> None:
    rows = ["T-1,i90-west,quilback-17,2027-01-14T04:45:00-07:00", "T-2,i90,quillback-17,2027-01-14T04:45:00-07:00"]
    (tmp_path / "trips.csv").write_text("id,route,rig,depart\n" + "\n".join(rows), encoding="utf-8")
    result = alertd("check", "--config", write_config(changes={"http_port = 0": 'http_port = 0\ntrips = "trips.csv"'}))
    assert 'rig: "quilback-17" of T-1 is not in ' in result.stdout
    assert "; write quillback-17" in result.stdout
    assert 'route: "i90" of T-2 is not in ' in result.stdout
    assert result.exit_code == 1


def test_a_line_with_a_gap_and_a_capital_ending_are_found(
    alertd: Callable[..., Result], write_config: Callable[..., Path], tmp_path: Path, demo: Path
) -> None:
    routes = tmp_path / "routes"
    routes.mkdir()
    points = "".join(f'<trkpt lat="47.5" lon="{lon}"><ele>900</ele></trkpt>' for lon in (-120.0, -119.9, -115.0))
    (routes / "gap.gpx").write_text(f"<gpx><trk><trkseg>{points}</trkseg></trk></gpx>", encoding="utf-8")
    shutil.copy(demo / "i90-west.gpx", routes / "WEST.GPX")
    result = alertd("check", "--config", write_config(changes={f'routes = "{demo}"': f'routes = "{routes}"'}))
    (wrong,) = (line for line in result.stdout.splitlines() if line.startswith("wrong"))
    assert "gap.gpx: points 2 and 3: 36" in wrong
    assert "rename it to WEST.gpx" in result.stdout


@pytest.mark.parametrize(
    "url", ["htp://host.example", "not a url", "https://", "https://host.example/#x", "https://u:p@x.example"]
)
def test_a_missing_secret_hides_no_wrong_address(
    url: str, alertd: Callable[..., Result], write_config: Callable[..., Path], demo: Path
) -> None:
    changes = {f"{demo}/receiver-secret.txt": "nowhere.txt", 'url = "http://127.0.0.1:9/alertd"': f'url = "{url}"'}
    result = alertd("check", "--config", write_config(changes=changes))
    wrong = [line for line in result.stdout.splitlines() if line.startswith("wrong")]
    assert len(wrong) == 2, result.stdout
    assert "webhook[1].secret_file: nowhere.txt cannot be read" in wrong[0]
    assert "webhook[1].url: " in wrong[1]


def test_every_bad_channel_is_named_in_one_run(
    alertd: Callable[..., Result], write_config: Callable[..., Path], demo: Path
) -> None:
    path = write_config(changes={f"{demo}/receiver-secret.txt": "nowhere.txt"})
    more = '\n[[webhook]]\nname = "two"\nurl = "ftp://x.example/"\nsecret_file = "none.txt"\naudiences = ["fleet"]\n'
    path.write_text(path.read_text(encoding="utf-8") + more, encoding="utf-8")
    wrong = [x for x in alertd("check", "--config", path).stdout.splitlines() if x.startswith("wrong")]
    assert [line.split(": ")[1] for line in wrong] == [
        "webhook[1].secret_file",
        "webhook[2].secret_file",
        "webhook[2].url",
    ]


@pytest.mark.parametrize(
    ("contact", "level", "problem"),
    [
        (
            "Büro Süd",
            "wrong",
            "operator.contact: has characters that no HTTP header carries; write plain ASCII letters",
        ),
        ("nobody", "look", 'operator.contact "nobody" is neither an email address nor a page; write one of them'),
    ],
)
def test_a_contact_that_cannot_serve_is_named(
    contact: str, level: str, problem: str, alertd: Callable[..., Result], tmp_path: Path
) -> None:
    """RFC 9110, section 5.5: a header's value is ASCII; weather services ask for an address or a page in it."""
    shutil.copytree(REPO / "config", tmp_path / "config")
    path = tmp_path / "config" / "alertd.toml"
    path.write_text(
        path.read_text(encoding="utf-8").replace('contact = ""', f'contact = "{contact}"'), encoding="utf-8"
    )
    lines = alertd("check", "--config", path).stdout.splitlines()
    assert [line for line in lines if line.startswith(level) and problem in line]


def test_files_beside_the_settings_have_short_names(alertd: Callable[..., Result], tmp_path: Path) -> None:
    """What is not gathered yet is named as a person would type it."""
    shutil.copytree(REPO / "config", tmp_path / "config")
    shown = alertd("check", "--config", tmp_path / "config" / "alertd.toml", "-v").stdout
    assert f"{tmp_path}/var/zones.geojson" in shown.replace("\n", "")
    assert "config/../var" not in shown


def test_a_check_without_mistakes_is_short(alertd: Callable[..., Result], demo: Path) -> None:
    result = alertd("check", "--config", demo / "alertd.toml")
    lines = result.stdout.splitlines()
    assert lines[0] == f"settings: {demo / 'alertd.toml'}"
    assert lines[-1].startswith("0 wrong, ")
    assert sum(line.startswith("ok") for line in lines) <= 15
    detailed = alertd("check", "-v", "--config", demo / "alertd.toml").stdout.splitlines()
    assert len(detailed) > len(lines) + 20


def test_passes_to_record_are_checked(alertd: Callable[..., Result], write_config: Callable[..., Path]) -> None:
    config = write_config(changes={"[operator]": '[record]\npasses = ["Nowhere"]\n\n[operator]'})
    done = alertd("check", "--config", config)
    assert done.exit_code == 1
    assert 'record.passes: "Nowhere" is not known' in done.output


def gpx_of(*lon: float) -> str:
    points = "".join(f'<trkpt lat="47.5" lon="{x}"><ele>900</ele></trkpt>' for x in lon)
    return f"<gpx><trk><trkseg>{points}</trkseg></trk></gpx>"


def test_table_of_bad_inputs_is_named_in_one_run(
    alertd: Callable[..., Result], write_config: Callable[..., Path], tmp_path: Path, demo: Path
) -> None:
    """Each fault of a first day gives its own line with file, field and mend, all of them together."""
    routes, rigs = tmp_path / "routes", tmp_path / "rigs"
    shutil.copytree(demo / "rigs", rigs)
    routes.mkdir()
    shutil.copy(demo / "i90-west.gpx", routes)
    (routes / "gap.gpx").write_text(gpx_of(-120.0, -119.95, -115.9, -115.85), encoding="utf-8")
    (routes / "empty.gpx").write_bytes(b"")
    (routes / "folder.gpx").mkdir()
    (routes / "page.gpx").write_text("<html><body>Log in</body></html>", encoding="utf-8")
    (routes / "gone.gpx").symlink_to(tmp_path / "nowhere")
    with (routes / "huge.gpx").open("wb") as file:
        file.truncate(400_000_000)
    (rigs / "typed.toml").write_text((rigs / "quillback-17.toml").read_text().replace("name = ", "name = 7 # "))
    places = [["a", 2], [47.1, -115.2], [-115.2, 147.1]]
    features = [
        {"type": "Feature", "geometry": {"type": "Point", "coordinates": at}, "properties": about}
        for at, about in zip(
            places, ({"id": "x", "name": "n", "kind": "cafe"}, *[{"id": "y", "name": "n", "kind": "turnout"}] * 2),
            strict=True,
        )
    ]  # fmt: skip
    stops = tmp_path / "stops.geojson"
    stops.write_text(json.dumps({"type": "FeatureCollection", "features": features[:1]}), encoding="utf-8")
    more = tmp_path / "more.geojson"
    more.write_text(json.dumps({"type": "FeatureCollection", "features": features[1:]}), encoding="utf-8")
    rows = [
        "T-1;i90-west;quilback-17;14.01.2027 04:45",
        "T-2;i90-west;quillback-17;3/4/2027 04:45",
        "T-3;nowhere;quillback-17;2027-01-14 04:45",
        "T-4;i90-west;quillback-17;46036.2",
        "T-5;i90-west;quillback-17;2027-01-14T04:45+05:30",
    ]
    (tmp_path / "trips.csv").write_text("ID;Route;RIG;Depart\n" + "\n".join(rows), encoding="utf-16")
    changes = {
        f'rigs = "{demo}/rigs"': f'rigs = "{rigs}"',
        f'routes = "{demo}"': f'routes = "{routes}"',
        f'"{demo}/stops.geojson"': f'"{stops}", "{more}"',
        "http_port = 0": 'trips = "trips.csv"\nhttp_prt = 0',
        'sources = ["open-meteo"]': 'sources = ["open-meteo", "open-meteo"]',
    }
    result = alertd("check", "--config", write_config(changes=changes))
    assert result.exception is None or isinstance(result.exception, SystemExit)
    wrong = [line.removeprefix("wrong").strip() for line in result.stdout.splitlines() if line.startswith("wrong")]
    for expected in (
        "alertd.toml: daemon.http_prt: unknown key; write http_port",
        'alertd.toml: forecast.sources[2]: "open-meteo" is named twice; name each source once',
        "stops.geojson: features[0].properties.kind: 'cafe' does not fit; ",
        "stops.geojson: features[0].geometry.coordinates[0]: 'a' does not fit; ",
        "more.geojson: features[0].geometry.coordinates: latitude -115.2 is not within -90 to 90; the two look swapped",
        "more.geojson: features[1].geometry.coordinates: ",
        "more.geojson: features[1].properties.id: 'y' is also the id of features[0]; ",
        "rigs/typed.toml: name: 7 is wrong",
        "routes/gap.gpx: points 2 and 3: 305 km lie between them",
        "routes/empty.gpx: is empty; ",
        "routes/folder.gpx: is a folder; ",
        "routes/page.gpx: is a web page, not GPX; ",
        "routes/gone.gpx: cannot be read (No such file or directory); ",
        "routes/huge.gpx: size: 400.0 MB exceeds the limit",
        'trips.csv: rig: "quilback-17" of T-1 is not in ',
        'trips.csv line 3: depart: "3/4/2027 04:45" may be 2027-03-04 or 2027-04-03; ',
        'is a local time, and no readable file "nowhere" gives its zone; correct the route',
        'trips.csv line 5: depart: "46036.2" is a spreadsheet\'s number of a day; ',
    ):
        assert sum(expected in line for line in wrong) == 1, (expected, *wrong[-9:])
    assert all("; " in line for line in wrong)
    assert "2027-01-14T04:45:00+05:30 of T-5 is 2027-01-13T16:15-07:00 at the start" in result.stdout


@pytest.mark.parametrize(
    ("name", "content", "expected"),
    [
        ("trips.csv", b"", "is empty; write the header id,route,rig,depart"),
        ("trips.csv", b"T-1,i90-west,quillback-17\n", "id: this column is missing; "),
        ("trips.csv", b"PK\x03\x04more", "is a spreadsheet's workbook; save it there as CSV"),
        ("trips.csv", b"id,route,rig,depart\n" + b"T,a,b,c\n" * 700_000, "size: 6 MB exceeds the limit of 5 MB; "),
        ("trips.csv", "id,route,driver\nT,a,José\n".encode("latin-1"), "not UTF-8 at byte "),
        ("trips.json", b'[{"id": "T-1",}]', "is not JSON ("),
        ("trips.json", b"7", "is not a list of trips; "),
        ("trips.json", b'[{"id": 5, "route": ["a"], "rig": null, "depart": true}]', "trip 1: id: 5 is wrong: "),
        ("trips.json", b"[1]", "trip 1: is not an object; "),
    ],
)
def test_trips_file_that_is_none_is_one_line(
    name: str,
    content: bytes,
    expected: str,
    alertd: Callable[..., Result],
    write_config: Callable[..., Path],
    tmp_path: Path,
) -> None:
    (tmp_path / name).write_bytes(content)
    result = alertd("check", "--config", write_config(changes={"http_port = 0": f'trips = "{name}"'}))
    wrong = [line for line in result.stdout.splitlines() if line.startswith("wrong")]
    assert any(f"{name}: {expected}" in line or f"{name} {expected}" in line for line in wrong), wrong
    assert all(len(line) < 420 for line in wrong)
    assert result.exit_code == 1


def test_wrong_type_of_a_needed_list_hides_no_other_file(
    alertd: Callable[..., Result], write_config: Callable[..., Path]
) -> None:
    config = write_config(
        changes={'sources = ["open-meteo"]': 'sources = "open-meteo"', "/stops.geojson": "/none.geojson"}
    )
    wrong = [line for line in alertd("check", "--config", config).stdout.splitlines() if line.startswith("wrong")]
    assert len(wrong) == 2, wrong
    assert 'forecast.sources: "open-meteo" is wrong' in wrong[0]
    assert "none.geojson: " in wrong[1]
