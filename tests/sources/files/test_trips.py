"""Trips as dispatch writes them: every mistake is one line that names file, place, field and mend."""

import json
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from alertd.errors import InputError
from alertd.i18n import LANGUAGES
from alertd.sources.files.trip_parts import parse_departure
from alertd.sources.files.trips import TripRequest, parse_trip, read_trips, read_trips_file

HEAD = "id,route,rig,driver,dispatcher,depart,drive_hours_used\n"
ROW = "T-1,west,rig-1,Ann,Bo,2027-01-14T04:45:00-07:00,1.5\n"
GOOD = {"id": "T-1", "route": "west", "rig": "rig-1", "depart": "2027-01-14T04:45:00-07:00"}


def result(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        read_trips(path)
    assert str(caught.value).count("\n") == 0
    return str(caught.value)


def write(folder: Path, text: str | bytes, name: str = "trips.csv") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_csv_and_json_give_the_same_trip(tmp_path: Path) -> None:
    as_json = '[{"id": "T-1", "route": "west", "rig": "rig-1", "driver": "Ann", "dispatcher": "Bo",'
    as_json += '"depart": "2027-01-14T04:45:00-07:00", "drive_hours_used": 1.5}]'
    assert read_trips(write(tmp_path, HEAD + ROW)) == read_trips(write(tmp_path, as_json, "trips.json"))


def test_byte_order_mark_blank_cells_and_lines_are_no_mistake(tmp_path: Path) -> None:
    row = "T-1,west,rig-1,,,2027-01-14T04:45:00-07:00,\n\n"
    (trip,) = read_trips(write(tmp_path, "\ufeff" + HEAD + row))
    assert (trip.driver, trip.drive_hours_used) == ("", None)


def test_a_heading_without_rows_is_a_day_without_trips(tmp_path: Path) -> None:
    assert read_trips(write(tmp_path, HEAD)) == ()


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("", "trips.csv: is empty; write the header id,route,rig"),
        (HEAD.replace("rig,", "") + ROW, "trips.csv: rig: this column is missing; write the header"),
        (HEAD.replace(",", ":") + ROW, "trips.csv: id: this column is missing"),
        (HEAD.replace("driver", "rig") + ROW, "trips.csv: rig: two columns have this name"),
        (HEAD + ROW + ROW, 'trips.csv line 3: id: "T-1" is given twice'),
        (HEAD + ROW.replace("T-1", "T 1"), 'trips.csv line 2: id: "T 1" is wrong'),
        (HEAD + ROW.replace("T-1", ""), "trips.csv line 2: id: missing"),
        (HEAD + ROW.replace("1.5", "soon"), 'trips.csv line 2: drive_hours_used: "soon" is wrong'),
        (HEAD + ROW.replace("1.5", "-1"), "trips.csv line 2: drive_hours_used: -1.0 is wrong"),
        (HEAD + ROW.replace("1.5", "25"), "trips.csv line 2: drive_hours_used: 25.0 is wrong"),
        (HEAD + ROW.replace("1.5", "nan"), "trips.csv line 2: drive_hours_used: nan is wrong"),
        (HEAD + ROW.replace("1.5", "\u00b2"), "trips.csv line 2: drive_hours_used:"),
        (HEAD + ROW.replace("1.5", "1.5,6"), "trips.csv line 2: has 8 cells, but the header has 7 columns"),
        (HEAD + ROW.replace("-07:00", ""), "has no UTC offset; add the offset from UTC"),
        (HEAD + ROW.replace("2027-01-14T04:45:00-07:00", "tomorrow"), '"tomorrow" is not a date and time'),
        (HEAD + ROW.replace("Ann", "An\x1b[2Jn"), "trips.csv line 2: driver: has a line break or control character"),
        (HEAD + ROW.replace("Ann", '"An\nn"'), "line 3: driver: has a line break or control character"),
        (HEAD + ROW.replace("west", "we\x00st"), "trips.csv line 2: route: has a line break or control character"),
    ],
)
def test_a_mistake_in_csv_names_its_line_field_and_mend(text: str, wanted: str, tmp_path: Path) -> None:
    assert wanted in result(write(tmp_path, text))


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("", "trips.json: is not JSON"),
        ('{"id": "T-1"}', "trips.json: is not a list of trips; write ["),
        ("[3]", "trips.json trip 1: is not an object; write {"),
        ('[{"id": "T-1",', "trips.json: is not JSON"),
        ("[" * 50_000, "trips.json: is nested too deeply"),
        ('[{"id": 7}]', "trips.json trip 1:"),
    ],
)
def test_a_mistake_in_json_names_its_place_and_mend(text: str, wanted: str, tmp_path: Path) -> None:
    assert wanted in result(write(tmp_path, text, "trips.json"))


def test_missing_folder_or_not_utf8_trips_are_reported(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    assert (
        result(tmp_path / "none.csv")
        == "none.csv: cannot be read (No such file or directory); check the name and permissions"
    )
    assert result(tmp_path / "folder") == "folder: cannot be read (Is a directory); check the name and permissions"
    assert (
        result(write(tmp_path, HEAD.encode() + b"\xff"))
        == f"trips.csv: not UTF-8 at byte {len(HEAD)}; save the file as UTF-8"
    )


@pytest.mark.parametrize("text", ["0001-01-01T00:00+14:00", "9999-12-31T23:59-14:00"])
def test_a_departure_outside_the_calendar_in_utc_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="outside the calendar; write"):
        parse_departure(text)


def test_a_trip_survives_its_own_json() -> None:
    trip = parse_trip(GOOD, "request")
    assert TripRequest.model_validate_json(trip.model_dump_json()) == trip


def test_hours_used_are_read_from_csv_and_duty_day_needs_zone(tmp_path: Path) -> None:
    head = "id,route,rig,depart,on_duty_since,cycle_hours_used,cycle_limit_h,driven_since_break_h\n"
    row = "T-1,west,rig-1,2027-01-14T04:45:00-07:00,2027-01-14T03:30:00-07:00,61.5,70,0.5\n"
    (trip,) = read_trips(write(tmp_path, head + row))
    assert (trip.cycle_hours_used, trip.cycle_limit_h, trip.driven_since_break_h) == (61.5, 70, 0.5)
    assert trip.duty_began_at == datetime.fromisoformat("2027-01-14T10:30:00+00:00")
    for wrong in (row.replace("03:30:00-07:00", "03:30:00"), row.replace(",70,", ",65,")):
        with pytest.raises(InputError, match=r"trips\.csv line 2: (on_duty_since|cycle_limit_h)"):
            read_trips(write(tmp_path, head + wrong))


def test_several_routes_are_read_from_a_csv_cell_and_from_json(tmp_path: Path) -> None:
    head, row = "id,routes,rig,depart\n", "T-1,west.gpx; south.gpx,rig-1,2027-01-14T04:45:00-07:00\n"
    as_json = '[{"id": "T-1", "routes": ["west.gpx", "south.gpx"], "rig": "rig-1", "depart": '
    as_json += '"2027-01-14T04:45:00-07:00"}]'
    (trip,) = read_trips(write(tmp_path, head + row))
    assert (trip.route, trip.other_routes) == ("west.gpx", ("south.gpx",))
    assert read_trips(write(tmp_path, as_json, "trips.json")) == (trip,)
    both = read_trips(write(tmp_path, "route," + head + "west.gpx," + row))
    assert both == (trip,)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("id,rig,depart\n", "trips.csv: route: this column is missing"),
        (f"id,routes,rig,depart\nT-1,,rig-1,{GOOD['depart']}\n", "trips.csv line 2: route: missing; add route = "),
        (f"id,routes,rig,depart\nT-1,a;a,rig-1,{GOOD['depart']}\n", "trips.csv line 2: routes: names a route twice"),
        (f"id,routes,rig,depart\nT-1,a;;b,rig-1,{GOOD['depart']}\n", "trips.csv line 2: routes[2]: "),
        (f"id,routes,rig,depart\nT-1,a;b;c;d;e,rig-1,{GOOD['depart']}\n", "trips.csv line 2: routes: "),
        (f"id,route,routes,rig,depart\nT-1,b,a;b,rig-1,{GOOD['depart']}\n", 'routes: begins with "a", not with route'),
    ],
)
def test_a_mistake_in_several_routes_is_told(text: str, wanted: str, tmp_path: Path) -> None:
    assert wanted in result(write(tmp_path, text))


def test_a_trip_may_name_the_language_of_its_driver(tmp_path: Path) -> None:
    head = "id,route,rig,depart,language\n"
    row = f"T-1,west,rig-1,{GOOD['depart']},"
    assert [t.language for t in read_trips(write(tmp_path, head + row + "fr\n"))] == ["fr"]
    assert [t.language for t in read_trips(write(tmp_path, head + row + "\n"))] == [""]
    assert [t.language for t in (parse_trip(GOOD | {"language": name}, "here") for name in LANGUAGES)] == list(
        LANGUAGES
    )
    assert "trips.csv line 2: language: " in result(write(tmp_path, head + row + "de\n"))


def test_a_bad_row_costs_itself_only(tmp_path: Path) -> None:
    rows = [ROW.replace("T-1", f"T-{n}") for n in range(1, 8)]
    rows[1] = rows[1].replace("rig-1", "")
    rows[2] = rows[2].replace("Ann", '"Ann')  # quotes that are never closed
    rows[3] = rows[3].replace("-07:00", "")
    rows[4] = rows[4].replace("Ann", '"Ann, Mary"')
    rows[5] = rows[5].replace(",1.5", ",1.5,x")
    file = read_trips_file(write(tmp_path, HEAD + "".join(rows)))
    assert [t.id for t in file.trips] == ["T-1", "T-5", "T-7"]
    assert [(b.label, b.trip_id, b.mistake.field) for b in file.bad] == [
        ("line 3", "T-2", "rig"),
        ("line 4", "T-3", ""),
        ("line 5", "T-4", "depart"),
        ("line 7", "T-6", ""),
    ]


def test_a_bad_object_in_json_costs_itself_only(tmp_path: Path) -> None:
    rows = [GOOD, GOOD | {"id": "T 2"}, 3, GOOD | {"id": "T-3", "note": "tarps"}]
    file = read_trips_file(write(tmp_path, json.dumps(rows), "trips.json"))
    assert ([t.id for t in file.trips], file.ignored) == (["T-1", "T-3"], ("note",))
    assert [(b.label, b.trip_id) for b in file.bad] == [("trip 2", "T 2"), ("trip 3", "")]


def test_unknown_columns_are_ignored_and_named(tmp_path: Path) -> None:
    head = HEAD.replace("dispatcher", "drivr").replace("\n", ",notes\n")
    file = read_trips_file(write(tmp_path, head + ROW.replace("\n", ',"tarps,\nand straps"\n')))
    assert ([t.id for t in file.trips], file.bad) == (["T-1"], ())
    assert file.ignored_words == "drivr (write driver?), notes"
    assert file.trips[0].dispatcher == ""


def test_one_id_with_two_contents_is_no_trip(tmp_path: Path) -> None:
    later = ROW.replace("04:45", "05:45")
    file = read_trips_file(write(tmp_path, HEAD + ROW + later))
    assert (file.trips, sorted(b.label for b in file.bad)) == ((), ["line 2", "line 3"])
    same = read_trips_file(write(tmp_path, HEAD + ROW + ROW))
    assert ([t.id for t in same.trips], [b.label for b in same.bad]) == (["T-1"], ["line 3"])


def test_the_content_of_a_bad_row_is_the_same_on_another_line(tmp_path: Path) -> None:
    _same_on_another_line(tmp_path, ROW.replace("rig-1", ""))
    _same_on_another_line(tmp_path, ROW.replace("Ann", '"Ann'))


def _same_on_another_line(tmp_path: Path, wrong: str) -> None:
    first = read_trips_file(write(tmp_path, HEAD + wrong)).bad[0]
    moved = read_trips_file(write(tmp_path, HEAD + ROW.replace("T-1", "T-9") + wrong)).bad[0]
    other = read_trips_file(write(tmp_path, HEAD + wrong.replace("Bo", "Cy"))).bad[0]
    assert first.content == moved.content != other.content


DENVER = ZoneInfo("America/Denver")
SPREADSHEET = "ID;Route;RIG;Depart;Drive hours used;routes\nT-1;i90;r;2027-01-14 04:45;3,5;\n"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_a_spreadsheets_table_is_read(encoding: str, tmp_path: Path) -> None:
    path = tmp_path / "trips.csv"
    path.write_bytes(SPREADSHEET.encode(encoding))
    (trip,) = read_trips_file(path, lambda route, at_end: DENVER).trips
    assert (trip.id, trip.depart, trip.drive_hours_used) == ("T-1", "2027-01-14T04:45:00-07:00", 3.5)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2027-01-14T04:45", "2027-01-14T04:45:00-07:00"),
        ("2027-01-14 04:45-08:00", "2027-01-14T04:45:00-08:00"),
        ("14.01.2027 04:45", "2027-01-14T04:45:00-07:00"),
        ("1/14/2027 4:45 PM", "2027-01-14T16:45:00-07:00"),
        ("1/14/2027, 12:05 am", "2027-01-14T00:05:00-07:00"),
        ("5/5/2027 4:45", "2027-05-05T04:45:00-06:00"),
    ],
)
def test_local_times_take_the_zone_of_the_start(text: str, expected: str, tmp_path: Path) -> None:
    path = tmp_path / "trips.csv"
    path.write_text(f'id,route,rig,depart\nT-1,i90,r,"{text}"\n', encoding="utf-8")
    (trip,) = read_trips_file(path, lambda route, at_end: DENVER).trips
    assert trip.depart == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("3/4/2027 4:45", "may be 2027-03-04 or 2027-04-03; write it as 2027-03-04T04:45"),
        ("46401.1979166667", "is a spreadsheet's number of a day; format the column as text"),
        ("2027-03-14 02:30", "a clock change skips in America/Denver; add the offset"),
        ("2027-11-07 01:30", "a clock change repeats in America/Denver; add the offset"),
        ("31.02.2027 04:45", "is not a date and time"),
        ("14/14/2027 04:45", "is not a date and time"),
        ("tomorrow", "is not a date and time"),
    ],
)
def test_a_time_of_two_readings_is_reported(text: str, expected: str, tmp_path: Path) -> None:
    path = tmp_path / "trips.csv"
    path.write_text(f'id,route,rig,depart\nT-1,i90,r,"{text}"\n', encoding="utf-8")
    (bad,) = read_trips_file(path, lambda route, at_end: DENVER).bad
    assert expected in str(bad.mistake)
    assert str(bad.mistake).startswith("trips.csv line 2: depart: ")


def test_a_delivery_is_local_to_the_end_of_the_route(tmp_path: Path) -> None:
    path = tmp_path / "trips.csv"
    path.write_text("id,route,rig,depart,deliver_by\nT-1,i90,r,2027-01-14T04:45,2027-01-14T16:00\n", encoding="utf-8")
    seattle = ZoneInfo("America/Los_Angeles")
    (trip,) = read_trips_file(path, lambda route, at_end: seattle if at_end else DENVER).trips
    assert (trip.depart[-6:], trip.deliver_by[-6:]) == ("-07:00", "-08:00")


STOPS = "Store|46.6|-112.0|2027-01-15T06:00-07:00|2027-01-15T10:00-07:00|60; Mill|46.87|-114.0|||"


def test_stops_of_a_cell_and_of_json_are_the_same(tmp_path: Path) -> None:
    csv_file, json_file = tmp_path / "t.csv", tmp_path / "t.json"
    row = {"id": "T-1", "route": "west.gpx", "rig": "r", "depart": "2027-01-14T04:45:00-07:00"}
    csv_file.write_text(f"{','.join((*row, 'stops'))}\n{','.join((*row.values(), STOPS))}\n", encoding="utf-8")
    store = {
        "name": "Store", "lat_deg": 46.6, "lon_deg": -112.0, "open_from": "2027-01-15T06:00-07:00",
        "open_by": "2027-01-15T10:00-07:00", "service_min": 60.0,
    }  # fmt: skip
    mill = {"name": "Mill", "lat_deg": 46.87, "lon_deg": -114.0}
    json_file.write_text(json.dumps([{**row, "stops": [store, mill]}]), encoding="utf-8")
    (of_csv,), (of_json,) = read_trips(csv_file), read_trips(json_file)
    assert of_csv == of_json
    assert [x.service_min for x in of_csv.stops] == [60.0, 30.0]
    assert of_csv.stops[0].opens_at is not None
    assert of_csv.stops[1].closes_at is None


@pytest.mark.parametrize(
    ("cell", "field"),
    [
        ("Store|46.6", "lon_deg"),
        ("Store|north|-112.0", "lat_deg"),
        ("Store|46.6|-112.0|2027-01-15T06:00", "open_from"),
        ("Store|46.6|-112.0|2027-01-15T06:00-07:00|2027-01-15T05:00-07:00", "open_by"),
    ],
)
def test_a_wrong_stop_names_its_field(tmp_path: Path, cell: str, field: str) -> None:
    path = tmp_path / "t.csv"
    path.write_text(f"id,route,rig,depart,stops\nT-1,w.gpx,r,2027-01-14T04:45:00-07:00,{cell}\n", encoding="utf-8")
    (bad,) = read_trips_file(path).bad
    assert field in str(bad.mistake)
