"""Plain points of GPX files: the short way reads what the parser of elements reads, or leaves the file to it."""

import random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic_core import from_json

from alertd.errors import InputError
from alertd.sources.files.gpx.elements import ElementReader
from alertd.sources.files.gpx.plain_points import NotPlainError, PlainPointReader
from alertd.sources.files.gpx.points import GpxLimits
from alertd.sources.files.gpx.read import parse_gpx

FIELDS = ("lat_deg", "lon_deg", "elevation_m", "segment_starts")
LIMITS = GpxLimits(max_points=60, max_depth=12)


def outcome(reader: type[ElementReader], data: bytes, limits: GpxLimits = LIMITS) -> Any:
    """All of a line as bytes and values, or the text of the refusal."""
    data = data.ljust(8000)  # spaces: short files have no short way
    try:
        if reader is PlainPointReader:
            line = parse_gpx(data, "a.gpx", limits=limits)
        else:
            one = reader(where="a.gpx", limits=limits)
            one.read(data)
            line = one.line("")
    except InputError as exc:
        return str(exc)
    return [getattr(line, k).tobytes() for k in FIELDS], line.name, line.planned, line.findings


def used(data: bytes) -> int:
    """Points that the short way adds from runs. Raises NotPlainError."""
    reader = PlainPointReader(where="a.gpx", limits=GpxLimits())
    reader.read(data)
    return sum(run.lat_deg.size for run in reader._runs if run.kind not in (b"wpt", b"extensions"))


def gpx(body: str, head: str = "") -> bytes:
    return f'<?xml version="1.0"?>{head}<gpx version="1.1">{body}</gpx>'.encode()


def track(points: str) -> bytes:
    return gpx(f"<trk><name>a</name><trkseg>{points}</trkseg></trk>")


TWO = '<trkpt lat="47.4" lon="-115.7"/><trkpt lat="47.5" lon="-115.6"/>'
SENSORS = (
    '<trkpt lat="47.5" lon="-115.6"><ele>12.5</ele><time>2027-01-14T10:30:00Z</time><link href="https://a.example/"/>'
    "<extensions><x:E><x:t>-4</x:t><x:h>90</x:h></x:E></extensions></trkpt>\n"
)


def test_points_with_heights_times_and_sensors_are_plain() -> None:
    assert used(track(SENSORS * 3)) == 3
    assert used(gpx(f"<rte>{TWO.replace('trkpt', 'rtept')}</rte>")) == 2
    shaped = TWO.replace("trkpt", "x:rpt")
    assert used(gpx(f'<rte><rtept lat="1" lon="2"><extensions><x:E>{shaped}</x:E></extensions></rtept></rte>')) == 2


ODD = [
    TWO + "<!-- " + TWO + " -->",
    TWO + "<![CDATA[" + TWO + "]]>",
    TWO + f"<x a='{TWO}'/>",
    TWO + '<x a="1" a="2"/>',
    TWO + '<trkpt lat="1" lon="2"><link a="1" b="2"><ele>3</ele></link></trkpt>',
    TWO + '<trkpt lat="1" lon="2"><ele>3</ele><time>4</time><ele>5</ele></trkpt>',
    TWO + '<trkpt lat="1" lon="2"><x:ele>3</x:ele></trkpt>',
    TWO + '<trkpt lat="1" lon="2"><time>&lt;</time></trkpt>',
    TWO + '<trkpt lat="1" lon="2"><time>&nbsp;</time></trkpt>',
    TWO + '<trkpt lat="1" lon="2"><a>]]></a></trkpt>',
    TWO + '<trkpt lat="1" lon="2"><a>\x0b</a></trkpt>',
    TWO + '<trkpt lat="1" lon="2"><a></b></trkpt>',
    TWO + '<trkpt lat="-0" lon="+2"><ele>-32768</ele></trkpt>',
    TWO + '<trkpt lat=".5" lon="5."/><trkpt lat="05" lon="1e1"/><trkpt lat="1-2" lon="1"/>',
    TWO + '<trkpt lat="1e400" lon="5"/>',
    TWO + '<trkpt lat="1" lon="5"><wpt lat="95" lon="5"/></trkpt>',
    TWO + "<?alertd-run 0?>",
    TWO + "</trkseg><extensions>" + TWO + "</extensions><trkseg>",
    TWO + f"</trkseg></trk><metadata><name>b{TWO.replace('trkpt', 'wpt')}c</name></metadata><trk><trkseg>",
    TWO + "</trkseg></trk><rte>" + TWO.replace("trkpt", "rtept") + "</rte><trk><trkseg>" + TWO,
    TWO + "<extensions><trk><name>b</name></trk></extensions>",
    TWO * 31,
    "<a>" * 8 + TWO + "</a>" * 8,
]


@pytest.mark.parametrize("points", ODD)
def test_odd_files_read_as_their_elements_do(points: str) -> None:
    data = track(points)
    assert outcome(PlainPointReader, data) == outcome(ElementReader, data)


def test_points_in_a_document_type_are_refused() -> None:
    data = gpx(TWO, f"<!DOCTYPE gpx [<!ENTITY a '{TWO}'>]>")
    assert outcome(PlainPointReader, data) == outcome(ElementReader, data)
    assert "DOCTYPE" in outcome(PlainPointReader, data)


def test_extensions_alone_are_left_out() -> None:
    data = gpx("<trk><extensions><a>1</a></extensions><trkseg>" + TWO.replace('" lon', '"  lon') + "</trkseg></trk>")
    assert used(data) == 0
    assert outcome(PlainPointReader, data) == outcome(ElementReader, data)


def test_points_out_of_place_are_left_to_the_elements() -> None:
    for body in (TWO, f"<trk>{TWO}</trk>", f"<x><trk><trkseg>{TWO}</trkseg></trk></x>"):
        with pytest.raises(NotPlainError):
            used(gpx(body))


names = st.sampled_from(
    ["trk", "trkseg", "trkpt", "rte", "rtept", "x:rpt", "wpt", "extensions", "ele", "name", "metadata", "time", "x:a"]
)
numbers = st.sampled_from(["1", "-2.5", "47.123456789012345", "-0", "+3", ".5", "1e1", "91", "", "x", "-32768"])
texts = st.sampled_from(["", " ", "\n  ", "12.5", "-32768", "a", "<!-- c -->", "<![CDATA[1]]>", "&amp;", "é", "]"])


@st.composite
def elements(draw: st.DrawFn, depth: int = 0) -> str:
    name = draw(names)
    attributes = draw(st.sampled_from([' lat="{}" lon="{}"'] * 4 + [' lon="{}" lat="{}"', "", ' a="{}"', " lat='{}'"]))
    start = f"<{name}{attributes.format(draw(numbers), draw(numbers))}"
    if depth > 4 or draw(st.booleans()):
        return start + draw(st.sampled_from(["/>", f">{draw(texts)}</{name}>", f"></{name}>"]))
    inner = draw(st.lists(elements(depth=depth + 1) | texts, max_size=4))
    return f"{start}>{''.join(inner)}</{name}>"


@given(inner=st.lists(elements() | texts | st.just(SENSORS), max_size=6), data=st.data())
@settings(max_examples=3 * settings().max_examples)
def test_short_way_reads_what_the_elements_say(inner: list[str], data: st.DataObject) -> None:
    place = data.draw(st.sampled_from(["<trk><trkseg>{}</trkseg></trk>", "<rte>{}</rte>", "{}"]))
    whole = gpx(
        f"<trk><name>n</name><trkseg>{TWO}</trkseg></trk>" * data.draw(st.integers(0, 1)) + place.format("".join(inner))
    )
    assert outcome(PlainPointReader, whole) == outcome(ElementReader, whole)


def test_numbers_of_json_are_the_nearest_doubles() -> None:
    """CPython's `float`, which rounds correctly (David Gay, 1990), is the reference."""
    rng = random.Random(7)
    texts = [f"{rng.uniform(-180, 180):.{rng.randrange(1, 25)}f}" for _ in range(20_000)]
    texts += [f"{rng.uniform(-180, 180)!r}" for _ in range(20_000)]
    texts += [f"{rng.uniform(0, 9):.{rng.randrange(1, 18)}e}" for _ in range(5_000)]
    wanted = np.array([float(text) for text in texts])
    assert np.array(from_json(f"[{','.join(texts)}]".encode()), dtype=float).tobytes() == wanted.tobytes()
