"""A local extract through pyosmium (skipped where it is not installed), in the XML form of OpenStreetMap API 0.6."""

from pathlib import Path
from xml.sax.saxutils import quoteattr

import numpy as np
import pytest

from alertd.errors import InputError
from alertd.route.stops import StopKind
from alertd.sources.openstreetmap.elements import Element
from alertd.sources.openstreetmap.extract import read_extract
from alertd.sources.openstreetmap.tags import stop_kind
from alertd.testing import overpass_answer as made

LINE = (np.full(114, made.LAT), np.linspace(made.WEST, made.EAST, 114))


def osm_xml() -> str:
    """The made road as nodes, ways with node references, and one place far away."""
    nodes, ways = [], []
    for raw in made.answer()["elements"]:
        tags = "".join(f"<tag k={quoteattr(k)} v={quoteattr(v)}/>" for k, v in raw["tags"].items())
        if raw["type"] == "node":
            nodes.append(f'<node id="{raw["id"]}" version="1" lat="{raw["lat"]}" lon="{raw["lon"]}">{tags}</node>')
            continue
        center = raw.get("center")
        corners = raw.get("geometry") or [center, {**center, "lat": center["lat"] + 0.0001}, center]
        ids = [raw["id"] * 100_000 + n for n in range(len(corners))]
        nodes += [
            f'<node id="{i}" version="1" lat="{c["lat"]}" lon="{c["lon"]}"/>' for i, c in zip(ids, corners, strict=True)
        ]
        refs = "".join(f'<nd ref="{i}"/>' for i in ids)
        ways.append(f'<way id="{raw["id"]}" version="1">{refs}{tags}</way>')
    far = '<node id="7" version="1" lat="10" lon="10"><tag k="highway" v="rest_area"/></node>'
    nodes.sort(key=lambda text: int(text.split('"')[1]))
    return f'<osm version="0.6" generator="made">{far}{"".join(nodes)}{"".join(ways)}</osm>'


def test_extract_has_the_elements_near_the_route(tmp_path: Path) -> None:
    pytest.importorskip("osmium")
    path = tmp_path / "made.osm"
    path.write_text(osm_xml(), encoding="utf-8")
    found: dict[str, Element] = {e.key: e for e in read_extract(path, [LINE]).elements}
    assert "node/7" not in found
    assert found["way/1"].line[0] == pytest.approx((made.SOUTH_LANES, made.WEST), abs=1e-6)
    assert found["way/1"].tags["maxspeed"] == "75 mph"
    assert found["node/52"].tags["name"] == "Madeville"
    rest = found["way/60"]
    assert stop_kind(rest.tags) is StopKind.REST_AREA
    assert rest.line == ()
    assert rest.lon_deg == pytest.approx(made.lon_at(4_000), abs=1e-6)


def test_an_extract_that_cannot_be_read_gives_one_line(tmp_path: Path) -> None:
    pytest.importorskip("osmium")
    path = tmp_path / "x.osm.pbf"
    with pytest.raises(InputError, match=r"x\.osm\.pbf: is not there"):
        read_extract(path, [LINE])
    path.write_bytes(b"not a pbf file at all, but long enough to look at")
    with pytest.raises(InputError, match=r"x\.osm\.pbf: cannot be read"):
        read_extract(path, [LINE])
