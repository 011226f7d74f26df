"""Recorded answers of the National Weather Service, against values read out of the files by hand.

Rows: key, rank, begin, end (UTC), zones, has an outline. Of the file of 15 December 2025 eighteen features
are left out: 2 Freeze Warnings (fields), 2 Freeze Watches with VTEC actions UPG and CAN, 13 Heavy Freezing Spray
Warnings (sea) and a Flood Watch.
"""

import json
from pathlib import Path

import pytest

from alertd.sources.providers.nws.alerts import read_alerts

RECORDED = Path(__file__).parents[5] / "shared" / "recorded"

pytestmark = [
    pytest.mark.needs_shared,
    pytest.mark.skipif(not RECORDED.is_dir(), reason="the reference folder is not beside the checkout"),
]

DECEMBER = """
KTFX.WS.A.0020.2025 4 12-17T03:00 12-18T06:00 forecast/MTZ301,forecast/MTZ307 -
PAJK.WW.Y.0031.2025 3 12-15T21:02 12-16T15:00 forecast/AKZ326 -
PAJK.WS.W.0020.2025 1 12-15T21:02 12-16T18:00 forecast/AKZ321,forecast/AKZ325 -
PAJK.WS.W.0020.2025 1 12-15T21:02 12-16T15:00 forecast/AKZ331 -
PAJK.WW.Y.0031.2025 3 12-15T21:02 12-16T03:00 forecast/AKZ320 -
PAJK.WS.W.0020.2025 1 12-15T21:02 12-16T18:00 forecast/AKZ322 -
PAJK.WW.Y.0031.2025 3 12-15T21:02 12-16T15:00 forecast/AKZ323 -
PAJK.WW.Y.0031.2025 3 12-16T00:00 12-16T12:00 forecast/AKZ328 -
KRIW.WS.A.0011.2025 4 12-17T08:00 12-18T06:00 forecast/WYZ001,forecast/WYZ002,forecast/WYZ012,forecast/WYZ014,forecast/WYZ015,forecast/WYZ024 -
KSEW.WS.A.0003.2025 4 12-17T06:00 12-18T06:00 forecast/WAZ301,forecast/WAZ302,forecast/WAZ303,forecast/WAZ304,forecast/WAZ328 -
KBUF.LE.W.0012.2025 1 12-15T17:48 12-16T18:00 forecast/NYZ006 -
KBUF.WW.Y.0037.2025 3 12-15T17:48 12-16T12:00 forecast/NYZ001,forecast/NYZ002,forecast/NYZ010,forecast/NYZ011 -
KBUF.WW.Y.0037.2025 3 12-15T17:48 12-16T12:00 forecast/NYZ012,forecast/NYZ085 -
KBUF.LE.W.0013.2025 1 12-15T17:48 12-16T18:00 forecast/NYZ007,forecast/NYZ008 -
PAFG.WS.A.0030.2025 4 12-17T00:00 12-18T00:00 forecast/AKZ805 -
PAFG.WW.Y.0086.2025 3 12-15T13:15 12-16T06:00 forecast/AKZ850 -
KOTX.WS.A.0005.2025 4 12-17T06:00 12-18T06:00 forecast/WAZ048 -
KCHS.CW.Y.0007.2025 3 12-16T01:00 12-16T14:00 forecast/GAZ087,forecast/GAZ088,forecast/GAZ099,forecast/GAZ100,forecast/GAZ101,forecast/GAZ115,forecast/GAZ116,forecast/SCZ040,forecast/SCZ042,forecast/SCZ043,forecast/SCZ044,forecast/SCZ045,forecast/SCZ047 -
PAJK.CW.Y.0008.2025 3 12-15T12:40 12-17T15:00 forecast/AKZ318 -
KPDT.WS.A.0003.2025 4 12-17T06:00 12-18T06:00 forecast/WAZ522 -
KMSO.WS.A.0011.2025 4 12-17T03:00 12-18T06:00 forecast/MTZ002 -
KSEW.FF.W.0001.2025 2 12-15T21:53 12-16T05:00 county/WAC033 outline
KOTX.FL.W.0012.2025 2 12-15T21:08 12-18T10:30 county/WAC007 outline
KPQR.FA.W.0005.2025 2 12-15T21:06 12-15T23:00 county/WAC015,county/WAC049,county/WAC069 outline
KPQR.FL.W.0023.2025 2 12-15T20:54 12-16T11:07 county/WAC069 outline
KSEW.FL.W.0062.2025 2 12-15T19:34 12-20T00:14 county/WAC045 outline
KTFX.HW.W.0033.2025 2 12-17T10:00 12-18T07:00 forecast/MTZ309,forecast/MTZ310,forecast/MTZ311,forecast/MTZ314,forecast/MTZ315,forecast/MTZ317,forecast/MTZ318 -
KTFX.HW.W.0033.2025 2 12-17T10:00 12-18T07:00 forecast/MTZ327,forecast/MTZ328,forecast/MTZ329,forecast/MTZ330 -
"""  # noqa: E501
_MN = ",".join(f"forecast/MNZ{n:03}" for n in (51, 52, 53, 59, 60, 61, 62, 63, 68, 69, 70))
JANUARY = f"KMPX.WW.Y.0005.2024 3 01-12T20:05 01-13T12:00 {_MN} -"


def rows(name: str) -> list[str]:
    raw = read_alerts(json.loads((RECORDED / name).read_text()))
    assert raw.unreadable == ()
    assert raw.whole
    return sorted(
        f"{a.key} {a.severity.rank} {a.begins_at:%m-%dT%H:%M} {a.ends_at:%m-%dT%H:%M} {','.join(a.zones)} "
        f"{'outline' if a.area else '-'}"
        for a in raw.alerts
        if a.ends_at is not None
    )


@pytest.mark.parametrize(
    ("name", "table"),
    [
        ("nws_alerts_active_2025-12-15_winter_subset_dates_resolved.json", DECEMBER),
        ("nws_alerts_point_2024-01-12_winter_weather_advisory.json", JANUARY),
        ("nws_alerts_zone_2019-12-20_floodwatch_nullgeom.json", ""),  # a watch for floods is of no matter here
    ],
)
def test_events_windows_and_zones_of_a_recorded_answer(name: str, table: str) -> None:
    assert rows(name) == sorted(table.strip().splitlines())


def test_an_answer_with_broken_times_is_read_by_its_vtec_line() -> None:
    """Its owner put words in the place of times, and named a second message on the same event Small Craft Advisory."""
    raw = read_alerts(json.loads((RECORDED / "z_EDITED_nws_alerts_point_2024-01-08_tennessee.json").read_text()))
    (alert,) = raw.alerts
    assert (alert.key, alert.severity.rank, len(alert.zones)) == ("KOHX.WI.Y.0001.2024", 3, 38)
    assert f"{alert.begins_at:%m-%dT%H:%M} {alert.ends_at:%m-%dT%H:%M}" == "01-09T00:00 01-10T06:00"


def test_words_are_the_offices_own() -> None:
    body = json.loads((RECORDED / "nws_alerts_active_2025-12-15_winter_subset_dates_resolved.json").read_text())
    alert = next(a for a in read_alerts(body).alerts if a.key.startswith("KPDT.WS.A"))
    assert (alert.sender, alert.where) == ("NWS Pendleton OR", "Upper Slopes of the Eastern Washington Cascades Crest")
    assert alert.words[1].endswith("shovel, blankets and extra clothing. ...")
    source = " ".join(next(f for f in body["features"] if "KPDT.WS.A" in str(f))["properties"]["instruction"].split())
    assert alert.words[1].removesuffix(" ...") in source
