"""Which events count. Codes and names after NWS Instruction 10-1703; what holds is ours, [A]."""

import pytest

from alertd.plan.warnings.severity import LAST, severity_of, severity_of_named


@pytest.mark.parametrize(
    ("code", "event", "rank", "holds"),
    [
        ("BZ.W", "Blizzard Warning", 0, True),
        ("SQ.W", "Snow Squall Warning", 0, True),
        ("WS.W", "Winter Storm Warning", 1, False),
        ("IS.W", "Ice Storm Warning", 1, False),
        ("LE.W", "Lake Effect Snow Warning", 1, False),
        ("HW.W", "High Wind Warning", 2, False),
        ("EC.W", "Extreme Cold Warning", 2, False),
        ("FF.W", "Flash Flood Warning", 2, False),
        ("WW.Y", "Winter Weather Advisory", 3, False),
        ("ZR.Y", "Freezing Rain Advisory", 3, False),  # no longer issued, read all the same
        ("WI.Y", "Wind Advisory", 3, False),
        ("WS.A", "Winter Storm Watch", 4, False),
    ],
)
def test_warning_watch_and_advisory_are_told_apart(code: str, event: str, rank: int, holds: bool) -> None:
    for weight in (severity_of([code], event), severity_of([code], ""), severity_of([], event)):
        assert weight is not None
        assert (weight.rank, weight.holds) == (rank, holds)


@pytest.mark.parametrize(
    ("code", "event"),
    [
        ("FZ.W", "Freeze Warning"),
        ("UP.W", "Heavy Freezing Spray Warning"),
        ("FL.A", "Flood Watch"),
        ("GL.W", "Gale Warning"),
    ],
)
def test_fields_seas_and_rivers_that_may_rise_are_of_no_matter(code: str, event: str) -> None:
    assert severity_of([code], event) is None


def test_unknown_event_name_or_code_of_winter_is_kept_last() -> None:
    for codes, event in ((["WS.Q"], "Winter Commotion"), (["QQ.W"], "Unheard Of Warning"), ([], "Unheard Of Notice")):
        weight = severity_of(codes, event)
        assert weight is not None
        assert (weight.rank, weight.holds) == (LAST, False)
    assert severity_of([], "Air Quality Alert") is None


def test_of_code_and_name_the_graver_counts() -> None:
    assert (
        severity_of(["UP.W"], "Blizzard Warning")
        == severity_of(["BZ.W"], "Gale Warning")
        == severity_of(["BZ.W"], "Blizzard Warning")
    )


@pytest.mark.parametrize(
    ("name", "level", "rank"),
    [
        ("blizzard warning", "warning", 0),
        ("snowfall warning", "warning", 1),
        ("freezing rain warning", "warning", 1),
        ("snow squall warning", "warning", 1),
        ("wind warning", "warning", 2),
        ("winter storm watch", "watch", 4),
        ("blowing snow advisory", "advisory", 3),
        ("special weather statement", "statement", LAST),
    ],
)
def test_events_without_such_codes_go_by_their_words(name: str, level: str, rank: int) -> None:
    weight = severity_of_named(name, level)
    assert weight is not None
    assert (weight.rank, weight.holds) == (rank, rank == 0)
    assert severity_of_named("heat warning", "warning") is None
