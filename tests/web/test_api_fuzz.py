"""Bodies that nobody would write: never a fault of ours, never anything but a problem detail, and nothing half kept."""

import asyncio
import json
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from alertd.errors import InputError
from alertd.sources.files.gpx.read import parse_gpx
from alertd.sources.files.gpx_worker import LIMITS, inspect

Open = Callable[..., Any]
JSON = {"content-type": "application/json"}
POSTS = ("/v1/trips", "/v1/trips/T-1/positions", "/v1/trips/T-1/events", "/v1/closures", "/v1/posted")
TRIP_KEYS = ["id", "route", "routes", "rig", "depart", "driver", "on_duty_since", "cycle_limit_h"]
PLACE_KEYS = ["at", "lat", "lon", "what", "place", "notice_id", "from", "to", "begins_at", "ends_at", "source"]
KEYS = st.sampled_from([*TRIP_KEYS, *PLACE_KEYS, "level", "jurisdiction", "since", "until", "direction", "words"])
LEAVES = (
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20)
    | st.sampled_from(["T-1", "i90-west", "quillback-17", "2027-01-14T04:45:00-07:00", "US-ID", "none", "\ud800"])
)  # fmt: skip
VALUES = st.recursive(
    LEAVES, lambda of: st.lists(of, max_size=4) | st.dictionaries(KEYS, of, max_size=4), max_leaves=12
)
BODIES = st.dictionaries(KEYS, VALUES, max_size=8).map(json.dumps).map(str.encode) | st.binary(max_size=200)


@pytest.mark.hypothesis
@pytest.mark.parametrize("path", POSTS)
async def test_no_body_is_a_fault_of_ours(open_client: Open, path: str) -> None:
    client = await open_client()
    loop = asyncio.get_running_loop()
    trip = {"id": "T-1", "route": "i90-west", "rig": "quillback-17", "depart": "2027-01-14T04:45:00-07:00"}
    await client.post("/v1/trips", json=trip)

    @settings(max_examples=3 * settings().max_examples // 2, suppress_health_check=list(HealthCheck), database=None)
    @given(BODIES)
    def run(body: bytes) -> None:
        answer = asyncio.run_coroutine_threadsafe(client.post(path, content=body, headers=JSON), loop).result(30)
        assert answer.status_code < 500, answer.text
        if answer.status_code >= 400:
            assert answer.headers["content-type"] == "application/problem+json"
            assert "\n" not in answer.json()["detail"]

    await asyncio.to_thread(run)


NUMBERS = ["47.1", "-115.2", "47.2", "-115.3", "91", "nan", "inf", "", "1e400", "0x10", "47,1", "4" * 400]
POINTS = [f'<trkpt lat="{lat}" lon="{lon}"/>' for lat in NUMBERS[:5] for lon in NUMBERS[:5]]
HEIGHTS = [
    f'<trkpt lat="47.3" lon="-115.4"><ele>{ele}</ele></trkpt>' for ele in [*NUMBERS, "-32768", "٣", "1_0", "&#0;"]
]
ODD = [f'<rtept lat="{n}" a="{n}">' for n in NUMBERS]
ODD += [
    "</rtept>",
    "<trk>",
    "</trk>",
    "<trkseg/>",
    "<name>",
    "</name>",
    "<gpxx:rpt lat='1' lon='1'/>",
    "&a;",
    "]]>",
    "<!--",
]
ODD += [
    "<![CDATA[7]]>",
    "<?x?>",
    "<!DOCTYPE gpx>",
    "x" * 300,
    "\x00",
    "\ufeff",
    "<gpx>",
    "</gpx>",
    '<?xml encoding="utf-7"?>',
]
PARTS = st.lists(st.sampled_from(POINTS) | st.sampled_from(HEIGHTS) | st.sampled_from(ODD), max_size=12).map("".join)
WHOLE = PARTS.map(lambda inside: f"<gpx><trk><trkseg>{inside}</trkseg></trk></gpx>") | PARTS
FILES = st.builds(lambda text, code: text.encode(code), WHOLE, st.sampled_from(["utf-8", "utf-16", "utf-32"]))


@settings(max_examples=4 * settings().max_examples, suppress_health_check=list(HealthCheck), database=None)
@given(FILES | st.binary(max_size=300))
def test_no_file_is_more_than_a_mistake_in_one_line(data: bytes) -> None:
    seen = inspect(data)
    assert seen.keys() in ({"mistake"}, {"name", "points", "findings"})
    json.dumps(seen)
    if "mistake" not in seen:
        line = parse_gpx(data, "request", limits=LIMITS)
        assert 2 <= seen["points"] <= len(line.lat_deg)
        assert abs(line.lat_deg).max() <= 90.0
        assert abs(line.lon_deg).max() <= 180.0
    else:
        mistake = InputError("request", **seen["mistake"])
        assert "\n" not in str(mistake)
        assert mistake.hint
