"""P-VTEC lines. The layout is that of NWS Instruction 10-1703; the lines are of products of December 2025."""

from datetime import UTC, datetime

import pytest

from alertd.sources.providers.nws.vtec import read_vtec


def test_every_part_is_read() -> None:
    v = read_vtec("/O.NEW.KMSO.WS.A.0011.251217T0300Z-251218T0600Z/")
    assert v is not None
    assert (v.test, v.action, v.office, v.code, v.number, v.over) == (False, "NEW", "KMSO", "WS.A", 11, False)
    assert v.begins_at == datetime(2025, 12, 17, 3, tzinfo=UTC)
    assert v.ends_at == datetime(2025, 12, 18, 6, tzinfo=UTC)
    assert v.key(None) == "KMSO.WS.A.0011.2025"


def test_time_of_zeros_is_already_begun_or_open_ended() -> None:
    begun = read_vtec("/O.CON.KBUF.LE.W.0012.000000T0000Z-251216T1800Z/")
    lasting = read_vtec("/O.NEW.KPDT.FL.A.0004.251215T1831Z-000000T0000Z/")
    assert begun is not None
    assert lasting is not None
    assert (begun.begins_at, lasting.ends_at) == (None, None)
    assert begun.key(None) == "KBUF.LE.W.0012.2025"  # of its end, where it has no begin


@pytest.mark.parametrize(("action", "over"), [("CAN", True), ("UPG", True), ("EXP", False), ("CON", False)])
def test_cancelled_and_upgraded_events_are_over(action: str, over: bool) -> None:
    v = read_vtec(f"/O.{action}.KTAE.FZ.A.0004.251216T0600Z-251216T1400Z/")
    assert v is not None
    assert v.over is over


@pytest.mark.parametrize(
    "text",
    [
        "",
        "WS.A.0011",
        "/O.NEW.KMSO.WS.A.11.251217T0300Z-251218T0600Z/",
        "/O.NEW.KMSO.WS.A.0011.251317T0300Z-251218T0600Z/",
        "/O.NEW.KMSO.WS.A.0011.251217T0300Z/",
    ],
)
def test_what_is_no_such_line_is_none(text: str) -> None:
    assert read_vtec(text) is None
