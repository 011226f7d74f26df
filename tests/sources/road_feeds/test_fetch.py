"""Feeds by mapping: what entries mean, feeds that broke, and mistakes in a feed's file, named with their mend."""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from alertd.errors import ConfigError, SourceChanged
from alertd.plan.posted import CLOSED, NONE_POSTED, NOT_UNDERSTOOD, ControlLocation
from alertd.sources.files.laws.ruleset import read_rulesets
from alertd.sources.road_feeds.config import Feed, read_feed, read_feeds
from alertd.sources.road_feeds.fetch import FeedResult, read_body, to_controls
from alertd.sources.road_feeds.json_feed import geometry_wheres, read_time

ROOT = Path(__file__).resolve().parents[3]
RULES = read_rulesets(ROOT / "config" / "rules")
FEEDS = ROOT / "fixtures" / "feeds"
EXAMPLE = ROOT / "config" / "feeds" / "example.toml"
NAMES = {"lookout pass": ControlLocation(zone="i90-lookout", words="Lookout Pass")}
LATER = datetime(2027, 1, 14, 13, 0, tzinfo=UTC)


def result_of(feed: Feed, answer: Any) -> FeedResult:
    return to_controls(feed, read_body(feed, json.dumps(answer).encode()), NAMES, LATER)


@pytest.fixture
def example() -> Feed:
    return read_feed(EXAMPLE, RULES)


def answer() -> dict[str, Any]:
    made: dict[str, Any] = json.loads((FEEDS / "conditions.json").read_text(encoding="utf-8"))
    return made


def test_the_shipped_example_reads_the_invented_feed(example: Feed) -> None:
    expected = result_of(example, answer())
    assert [(c.id, c.level, c.where.words) for c in expected.controls] == [
        ("17", "chains-required", "Lookout Pass"),
        ("18", NOT_UNDERSTOOD, "Fourth of July Pass"),
        ("19", NONE_POSTED, "Lolo Pass"),
        ("20", CLOSED, "Hill of No Name"),
    ]
    first, second = expected.controls[:2]
    assert first.where.between == ((47.4746, -115.8257), (47.4561, -115.6967))
    assert (first.since, first.until) == (datetime(2027, 1, 14, 12, tzinfo=UTC), None)
    # 04:00 without an offset in America/Boise, seven hours behind UTC in January.
    assert (second.words, second.since) == ("Use extreme caution", datetime(2027, 1, 14, 11, tzinfo=UTC))
    assert expected.confirmed_at == datetime(2027, 1, 14, 12, 10, tzinfo=UTC)
    assert expected.left_out == ("1 that its words say to ignore",)
    assert not example.use
    assert read_feeds(EXAMPLE.parent, RULES) == ()


def test_a_publication_time_ahead_of_our_clock_is_not_believed(example: Feed) -> None:
    ahead = answer() | {"updated": "2031-01-01T00:00:00Z"}
    assert result_of(example, ahead).confirmed_at == LATER


def test_geojson_needs_its_words_alone() -> None:
    feed = read_feed(FEEDS / "geo.toml", RULES)
    expected = to_controls(feed, read_body(feed, (FEEDS / "conditions.geojson").read_bytes()), {}, LATER)
    assert [(c.id, c.level, len(c.where.line)) for c in expected.controls] == [
        ("a", "chains-required", 3), ("b", CLOSED, 0), ("c", "chains-required", 0),
    ]  # fmt: skip
    assert expected.controls[0].where.line[0] == (47.4746, -115.8257)
    assert expected.controls[0].since == datetime(2027, 1, 14, 12, tzinfo=UTC)
    assert expected.controls[2].where == ControlLocation()


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({"controls": None}, 'has no list where read.list = "controls" looks'),
        ({"controls": {}}, "has no list"),
        ({"controls": "none"}, "has no list"),
    ],
)
def test_feed_of_another_shape_is_not_an_empty_feed(example: Feed, changed: Any, expected: str) -> None:
    with pytest.raises(SourceChanged, match=expected):
        result_of(example, answer() | changed)


@pytest.mark.parametrize("body", [b"", b"<html>", b"[1, 2", b"[NaN]", b"[" * 100_000, b"\xff\xfe"])
def test_what_is_no_json_is_refused(example: Feed, body: bytes) -> None:
    with pytest.raises(SourceChanged):
        read_body(example, body)


def test_an_empty_list_is_a_good_answer(example: Feed) -> None:
    assert result_of(example, {"controls": []}).controls == ()


@pytest.mark.parametrize("row", [None, 7, "text", [], {}, {"restriction": None}, {"restriction": {"a": 1}}])
def test_an_entry_without_words_is_not_understood_and_not_placed(example: Feed, row: Any) -> None:
    (c,) = result_of(example, {"controls": [row]}).controls
    assert (c.level, c.words, c.where) == (NOT_UNDERSTOOD, "no words", ControlLocation())


def test_entries_of_one_id_do_not_hide_one_another(example: Feed) -> None:
    row = {"id": "a", "restriction": "Chains required"}
    assert [c.id for c in result_of(example, {"controls": [row, row]}).controls] == ["a", "a#2"]


def test_words_from_outside_cannot_break_a_line(example: Feed) -> None:
    (c,) = result_of(example, {"controls": [{"id": "a\nb", "restriction": "x\u2028y\x1b[31m" + "z" * 500}]}).controls
    assert c.words.isprintable()
    assert (len(c.words), c.id) == (120, "a b")


@pytest.mark.parametrize(
    ("since", "until", "wanted"),
    [
        ("2027-01-14T05:00:00-07:00", "2027-01-14T04:00:00-07:00", None),  # ends before it begins: no end is believed
        ("2027-01-14T05:00:00-07:00", "soon", None),
        ("2027-01-14T05:00:00-07:00", "2027-01-14T14:00:00Z", datetime(2027, 1, 14, 14, tzinfo=UTC)),
    ],
)
def test_an_end_that_cannot_be_meant_is_none(example: Feed, since: str, until: str, wanted: datetime | None) -> None:
    row = {"id": "a", "restriction": "Chains required", "start": since, "end": until}
    assert [c.until for c in result_of(example, {"controls": [row]}).controls] == [wanted]


@pytest.mark.parametrize(
    ("value", "zone", "wanted"),
    [
        (1799928000, "", datetime(2027, 1, 14, 12, tzinfo=UTC)),
        ("1799928000000", "", datetime(2027, 1, 14, 12, tzinfo=UTC)),
        ("2027-01-14T12:00:00", "", None),
        ("2027-01-14T05:00:00", "America/Boise", datetime(2027, 1, 14, 12, tzinfo=UTC)),
        (True, "", None), (None, "", None), (1e300, "", None), ("", "", None), ([], "", None),
        ("0001-01-01T00:00:00+14:00", "", None),
    ],
)  # fmt: skip
def test_times_in_the_ways_that_feeds_write_them(value: Any, zone: str, wanted: datetime | None) -> None:
    assert read_time(value, zone) == wanted


@pytest.mark.parametrize(
    "geometry",
    [
        None, [], {}, {"type": "Point"}, {"type": "Point", "coordinates": []}, {"type": "Point", "coordinates": "here"},
        {"type": "Point", "coordinates": [0, 91]}, {"type": "LineString", "coordinates": [[0, 0]]},
        {"type": "MultiLineString", "coordinates": [[[0, 0], [1, 1]], [[0, 0]]]}, {"type": "Circle", "coordinates": 1},
        {"type": "GeometryCollection", "geometries": [{"type": "Point", "coordinates": [0, 0]}, None]},
        {"type": "Polygon", "coordinates": [[[0, 0], [1, 1], [0, 0]]]},
    ],
)  # fmt: skip
def test_a_geometry_with_any_part_unread_places_nothing(geometry: Any) -> None:
    """One part that is not read may be the one on this road; not placed, it is told to every trip."""
    assert geometry_wheres(geometry) == ()


MINE = EXAMPLE.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("old", "new", "field", "expected", "mend"),
    [
        ('list = "controls"', 'list = "controls["', "read.list", "is not JMESPath", "correct the expression"),
        ('list = "controls"', "", "read.list", "missing", 'write e.g. list = "items[]"'),
        ('text = "restriction"', "", "read.text", "missing", 'write e.g. text = "restriction"'),
        ('text = "restriction"', 'txt = "restriction"', "read.txt", "unknown key", "write text"),
        (
            'level = "chains-required"',
            'level = "chains"',
            "word[1].level",
            '"chains" is not a level of US-ID',
            "ignore",
        ),
        ('jurisdiction = "US-ID"', 'jurisdiction = "US-QQ"', "jurisdiction", "there are no rules", "add its rule file"),
        ('pattern = "^road work"', 'pattern = "(road"', "word[4].pattern", "is not a regular expression", "correct it"),
        ('exact = "No restrictions"', "", "word[3].exact", "either exact or pattern", "write exact"),
        ('format = "json"', 'format = "xml"', "format", "is not one of the words allowed", "write one of json"),
        ('format = "json"', 'format = "datex2-v3"', "read.list", '"datex2-v3" needs no mapping', "omit [read]"),
        ('zone = "America/Boise"', 'zone = "Mountain"', "zone", "is not a time zone", "America/Boise"),
        ('url = "https://', 'url = "ftp://', "url", "is wrong", "write url"),
        ("poll_min = 5.0", "poll_min = 0.1", "poll_min", "is wrong", "within that bound"),
        ('name = "example"', 'name = "My Feed"', "name", "is wrong", "my-state"),
        ('# key_name = "apikey"', 'key_name = "apikey"', "key_file", "go together", "write both or neither"),
    ],
)
def test_a_mistake_in_a_feed_file_names_file_field_and_mend(
    old: str, new: str, field: str, expected: str, mend: str, tmp_path: Path
) -> None:
    assert old in MINE
    path = tmp_path / "mine.toml"
    path.write_text(MINE.replace(old, new), encoding="utf-8")
    with pytest.raises(ConfigError) as mistake:
        read_feed(path, RULES)
    assert (mistake.value.where, mistake.value.field) == (str(path), field)
    assert expected in mistake.value.problem
    assert mend in mistake.value.hint


def test_two_feeds_of_one_name_are_a_mistake(tmp_path: Path) -> None:
    for name in ("a.toml", "b.toml"):
        (tmp_path / name).write_text(MINE, encoding="utf-8")
    with pytest.raises(ConfigError, match="names two feeds"):
        read_feeds(tmp_path, RULES)
