import csv
from datetime import date
from math import asin, cos, radians, sin, sqrt
from pathlib import Path

import pytest

from alertd.errors import ConfigError
from alertd.sources.files.laws.ruleset import read_ruleset, read_rulesets
from alertd.units import POUND_KG, to_mph

ROOT = Path(__file__).parents[3]
BAD = ROOT / "fixtures/rules_bad"

# file -> key named, part of the problem, part of the mend
MISTAKES = {
    "unknown_key": ("level[1].legal_nmae", "unknown key", "write legal_name"),
    "missing_citation": ("citation", "missing", "add citation = "),
    "missing_text_date": ("text_date", "missing", "add text_date = 2023-10-01"),
    "missing_reading_date": ("reviewed_on", "missing", "add reviewed_on = 2026-11-25"),
    "missing_section": ("level[1].demand[1].section", "missing", "add section = "),
    "missing_source": ("sources", "missing", "add sources = ["),
    "missing_review_by": ("review_by", "missing", "add review_by = 2027-10-01"),
    "rank_in_quotes": ("level[1].rank", '"1" is wrong', "a whole number, e.g. 2"),
    "date_in_quotes": ("text_date", '"2024-01-01" is wrong', "write text_date = 2023-10-01"),
    "syntax": ("", "at line 2", "correct that line"),
    "misspelt_word": ("level[1].demand[1].layouts[1][1].per_axle", '"eachside"', 'write "each side"'),
    "no_such_day": ("carry[1].season.from", '"11-31" is not a day', "11-01"),
    "swapped_point": ("zone[1].from_point", "[-115.69, 47.45] is not a position", "[latitude, longitude]"),
    "half_a_zone": ("zone[1]", "one point without the other", "give both from_point and to_point"),
    "unknown_zone": ("level[1].zones", '"pss" is not defined', "write one of: pass"),
    "unknown_level": ("carry[1].enough_for_level", '"chain" is not defined', "write one of: chains"),
    "estimate_of_no_level": ("our_estimate[1].level", '"none" is not defined', "write one of: chains"),
    "probability_in_percent": ("our_estimate[1].probability", "less than or equal to 1", "within that bound"),
    "doubt_not_told": ("level[1].demand[1].doubt", "missing where confidence", "add doubt"),
    "rigs_left_out": ("level[1].demand", "excludes some rigs", "end with one without `for`"),
    "two_masses": ("level[1].demand[1].for.over_kg", "given together with over_lb", "keep the one"),
    "trailer_on_power_unit": ("level[1].demand[1].layouts[1][1].units", 'not on "power"', "omit units"),
    "text_after_reading": ("text_date", "is after reviewed_on", "date of the text"),
    "review_before_reading": ("review_by", "is not after reviewed_on", "day of the next reading"),
    "two_levels_of_one_rank": ("level[2].rank", "1 is given twice", "its own rank"),
    "speed_without_source": ("level[1].speed_section", "missing with speed_limit_mph", "add the section"),
    "level_without_demands": ("level[1].demand", "missing", "give [[level.demand]]"),
    "zone_nowhere": ("zone[1]", "location missing or given twice", "outline, or wherever_signed = true"),
    "zone_in_two_ways": ("zone[1]", "location missing or given twice", "outline, or wherever_signed = true"),
    "zone_with_one_end": ("zone[1].to", "missing", "both ends in words"),
    "outline_of_two_corners": ("zone[1].outline", "2 corners do not make an area", "three corners or more"),
    "swapped_outline": ("zone[1].outline", "[-116.0, 47.0] is not a position", "[latitude, longitude]"),
    "two_ends_of_one_year": ("carry[1].season.ends", "two days in one year", "one last day per year"),
    "end_of_no_day": ("carry[1].season.ends[1]", '"04-05" is wrong', "a date without quotes"),
    "two_speeds": ("level[1].speed_limit_kmh", "given together with speed_limit_mph", "keep the one"),
    "kmh_without_source": ("level[1].speed_section", "missing with speed_limit_kmh", "add the section"),
    "chained_speed_without_unit": ("chained_speed[1].mph", "missing, or given with kmh", "give the one"),
    "speed_not_said_to_bind": ("chained_speed[1].binding", "missing", "add binding = true"),
    "fine_as_a_number": ("fine[1].amount", "500 is wrong", "text in double quotes"),
    "unknown_trigger": ("level[1].trigger", '"postd"', 'write "posted"'),
    "tire_duty_without_words": ("tire_duty[1].what", "missing", "add what = "),
    "no_iso_code": ("jurisdiction", '"USA" is wrong', 'jurisdiction = "US-MT"'),
    "wrong_file_name": ("jurisdiction", "US-XX in a file of another name", "name it us-xx.toml"),
}


@pytest.mark.parametrize("name", MISTAKES)
def test_mistake_is_told_in_one_line_with_file_key_and_mend(name: str) -> None:
    path = BAD / f"{name}.toml"
    key, problem, mend = MISTAKES[name]
    with pytest.raises(ConfigError) as caught:
        read_ruleset(path)
    error = caught.value
    assert (error.where, error.field) == (str(path), key)
    assert problem in error.problem
    assert mend in error.hint
    assert "\n" not in str(error)


def test_every_bad_file_has_its_check() -> None:
    assert {p.stem for p in BAD.glob("*.toml")} == set(MISTAKES)


def test_shipped_files_are_named_by_their_iso_code() -> None:
    found = read_rulesets(ROOT / "config/rules")
    assert list(found) == [
        "AT", "CA-AB", "CA-BC", "CH", "DE", "ES", "FI", "FR", "IT", "JP", "NO", "PL", "SE", "SI", "US-AK", "US-AZ",
        "US-CA", "US-CO", "US-ID", "US-MT", "US-NM", "US-NV", "US-NY", "US-OR", "US-PA", "US-SD", "US-UT", "US-WA",
        "US-WY",
    ]  # fmt: skip
    assert all(code == ruleset.jurisdiction for code, ruleset in found.items())


def test_folder_without_rule_files_is_told(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="no rule files"):
        read_rulesets(tmp_path)


def test_units_of_the_file_end_at_the_reader() -> None:
    shipped = ROOT / "config/rules"
    california = read_ruleset(shipped / "us-ca.toml")
    assert round(to_mph(california.level("r-1").speed_limit_mps), 9) == 25
    assert read_ruleset(shipped / "es.toml").level("red").speed_limit_mps == 30 / 3.6
    colorado = read_ruleset(shipped / "us-co.toml")
    assert colorado.level("chain-law").demands[0].rig_class.min_rated_mass_kg == 16001 * POUND_KG
    grades = {e.min_abs_grade for e in read_ruleset(ROOT / "config/rules/us-mt.toml").estimates}
    assert grades == {0.0, 0.03}


def test_dates_on_which_chains_are_forbidden_are_kept() -> None:
    # AS 28.35.155: paved road, 1 May to 15 Sep north of 60 degrees north
    alaska = read_ruleset(ROOT / "config/rules/us-ak.toml")
    north = next(b for b in alaska.bans if "north of 60" in b.where)
    assert north.season.contains(date(2026, 9, 15))
    assert not north.season.contains(date(2026, 9, 16))


def test_level_that_repeats_another_has_its_demands() -> None:
    washington = read_ruleset(ROOT / "config/rules/us-wa.toml")
    over, all_ = washington.level("over-10000-gvw"), washington.level("all-vehicles")
    assert (all_.devices, all_.exemptions) == (over.devices, over.exemptions)
    # Its own last demand comes in place of the other's.
    assert all_.demands[:-1] == over.demands[:-1]
    assert over.demands[-1].layouts == ((),)
    assert all_.demands[-1].layouts != ((),)
    assert [lv.rank for lv in washington.levels] == [1, 2, 3, 4]


def _miles(a: tuple[float, float], b: tuple[float, float]) -> float:
    """Great-circle distance in miles, haversine on a sphere of 3958.8 mi."""
    lat1, lon1, lat2, lon2 = map(radians, (*a, *b))
    h = sin((lat2 - lat1) / 2) ** 2 + cos(lat1) * cos(lat2) * sin((lon2 - lon1) / 2) ** 2
    return 2 * 3958.8 * asin(sqrt(h))


# Mileposts of the zones' ends (exit numbers are mileposts on these interstates): a road is never shorter than the
# straight line between its ends, and these roads wind by less than half again.
@pytest.mark.parametrize(
    ("code", "zone", "road_miles"),
    [
        ("us-wa", "i90-snoqualmie", 101 - 32),
        ("us-wa", "us2-stevens", 108 - 36),
        ("us-id", "i90-fourth-of-july", 34 - 15),
        ("us-id", "i90-lookout", 73.9 - 61),  # the Montana line is Idaho's last milepost, 73.9 (from memory)
        ("us-mt", "i90-lookout-taft", 5 - 0),
        ("us-mt", "i90-bozeman", 330 - 309),
        ("us-co", "i70-west", 259 - 0),
        ("us-ca", "i80-donner", 205 - 128),  # the Nevada line is near exit 201 plus 4 miles (from memory)
    ],
)
def test_zone_points_lie_as_far_apart_as_the_mileposts_allow(code: str, zone: str, road_miles: float) -> None:
    found = read_ruleset(ROOT / f"config/rules/{code}.toml").zone(zone)
    assert road_miles / 1.5 < _miles(found.from_point, found.to_point) <= road_miles + 0.5


@pytest.mark.needs_shared
def test_zone_points_on_interstates_are_published_interchanges() -> None:
    table = ROOT.parent / "shared/roads/highway_points.csv"
    if not table.exists():
        pytest.skip(f"{table} is not there")
    with table.open() as file:
        known = {(float(r["latitude_deg"]), float(r["longitude_deg"])) for r in csv.DictReader(file)}
    for ruleset in read_rulesets(ROOT / "config/rules").values():
        for zone in ruleset.zones:
            if zone.from_point and zone.road in ("I-90", "I-80", "I-70", "US-2"):
                assert {zone.from_point, zone.to_point} <= known


def test_readme_lists_every_device_word_that_a_rule_listens_to() -> None:
    readme = " ".join((ROOT / "config/rules/README.md").read_text(encoding="utf-8").split())
    for ruleset in read_rulesets(ROOT / "config/rules").values():
        demands = [d for level in ruleset.levels for d in level.demands]
        words = {w for thing in (*demands, *ruleset.carry) for w in thing.satisfied_by}
        for word in words | {w for d in demands for w in d.rig_class.fitted}:
            assert f"`{word}`" in readme
