"""Posted limits as an operator writes them."""

from pathlib import Path

import pytest

from alertd.errors import ConfigError
from alertd.route.speed_limits import PostedLimit
from alertd.sources.files.speed_limits import read_limits, read_truck_speeds

SHIPPED = Path(__file__).resolve().parents[3] / "config" / "limits.toml"
GOOD = '[[limit]]\nfrom = [47.5, -115.5]\nto = [47.4, -115.7]\nmph = 35\nsource = "made"\n'


def read(tmp_path: Path, text: str) -> tuple[PostedLimit, ...]:
    path = tmp_path / "limits.toml"
    path.write_text(text, encoding="utf-8")
    return read_limits(path)


def test_what_is_shipped_names_no_limit_of_a_real_road() -> None:
    assert read_limits(SHIPPED) == ()


def test_the_example_shipped_in_comments_can_be_read(tmp_path: Path) -> None:
    lines = SHIPPED.read_text(encoding="utf-8").splitlines()
    example = lines[lines.index("# [[limit]]") :]
    (limit,) = read(tmp_path, "\n".join(line.removeprefix("#") for line in example))
    assert limit.speed_mps == pytest.approx(15.6464)


def test_both_units_become_metres_a_second(tmp_path: Path) -> None:
    """1 mile is 1609.344 m exactly: 35 mph are 15.6464 m/s; 60 km/h are 16 2/3 m/s."""
    mph, kmh = read(tmp_path, GOOD + GOOD.replace("mph = 35", "kmh = 60").replace("source", "both_ways = true\nsource"))
    assert (mph.start, mph.end, mph.both_ways, mph.source) == ((47.5, -115.5), (47.4, -115.7), False, "made")
    assert mph.speed_mps == pytest.approx(15.6464)
    assert kmh.speed_mps == pytest.approx(50 / 3)
    assert kmh.both_ways


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("mph = 35", "", "limit[1].mph: no speed is given; write either mph = ... or kmh = ..."),
        ("mph = 35", "mph = 35\nkmh = 60", "limit[1].mph: both are given; write either"),
        ("mph = 35", "mph = 350", "limit[1].mph: 350 is wrong"),
        ("mph = 35", "mph = nan", "limit[1].mph: nan is wrong"),
        ("mph = 35", 'mph = "35"', "limit[1].mph: "),
        ("mph = 35", "mhp = 35", "limit[1].mhp: unknown key; write mph"),
        ("[47.5, -115.5]", "[-115.5, 47.5]", "limit[1].from: [-115.5, 47.5] is nowhere on Earth; write [latitude"),
        ("[47.5, -115.5]", "[nan, 47.5]", "limit[1].from: [nan, 47.5] is nowhere on Earth"),
        ("[47.5, -115.5]", "[47.5]", "limit[1].from: [47.5] is wrong"),
        ("[47.5, -115.5]", "[47.4, -115.7]", "limit[1].to: is the same place as from; write where the limit ends"),
        ("from = [47.5, -115.5]", "", "limit[1].from: missing; add from = [47.45, -115.69]"),
        ('source = "made"', "", "limit[1].source: missing; add source = "),
        ("[[limit]]", "[[limits]]", "limits: unknown key; write limit"),
    ],
)
def test_a_mistake_is_one_line_that_names_the_key(old: str, new: str, expected: str, tmp_path: Path) -> None:
    with pytest.raises(ConfigError) as caught:
        read(tmp_path, GOOD.replace(old, new))
    assert f"limits.toml: {expected}" in str(caught.value)
    assert "; " in str(caught.value)
    assert "\n" not in str(caught.value)


def test_shipped_truck_speeds_are_those_of_the_law() -> None:
    """Vehicle Code section 22406, RCW 46.61.410, StVO section 18(5) and VRV article 5, all from memory."""
    speeds = {s.jurisdiction: s for s in read_truck_speeds(SHIPPED.with_name("truck_speeds.toml"))}
    assert speeds["US-CA"].speed_mps == pytest.approx(55 * 0.44704)
    assert speeds["US-CA"].axles_least == 3
    assert speeds["US-WA"].speed_mps == pytest.approx(60 * 0.44704)
    assert [speeds[land].speed_mps * 3.6 for land in ("DE", "CH", "AT", "NO")] == pytest.approx([80.0] * 4)
    assert all("from memory" in s.source for s in speeds.values())


def test_truck_speed_with_two_units_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "truck_speeds.toml"
    path.write_text('[[truck_speed]]\njurisdiction = "AT"\nmph = 50\nkmh = 80\nsource = "s"\n')
    with pytest.raises(ConfigError, match="both are given"):
        read_truck_speeds(path)
