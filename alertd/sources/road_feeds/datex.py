"""Parses DATEX II version 3 (CEN/TS 16157) publications: winter equipment rules and road closures.

Elements are found by namespace and name, wherever they are, so that feeds of any 3.x parse alike. The parser uses:

- sit:situationRecord of xsi:type WinterDrivingManagement: complianceOption, winterEquipmentManagementType;
- of xsi:type RoadOrCarriagewayOrLaneManagement: roadOrCarriagewayOrLaneManagementType;
- validity: validityStatus, overallStartTime, overallEndTime; informationStatus of the situation's header;
- locationReference: latitude and longitude of points, posList of lines.

From memory, not read in the schemas: the elements roadOrCarriagewayOrLaneManagementType, generalPublicComment,
coordinatesForDisplay, cancel and end, the LinearRing of areas, and the attribute _extendedValue.

A document type or an entity is refused: neither is needed, and both allow attacks on a parser.
"""

from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
from io import BytesIO
from typing import Final
from xml.etree.ElementTree import Element, ParseError

from defusedxml import DefusedXmlException
from defusedxml.ElementTree import iterparse

from alertd.errors import SourceChanged
from alertd.plan.posted import ControlLocation, LatLon
from alertd.sources.road_feeds.model import FeedContent, FeedRow, short

_V3: Final = "http://datex2.eu/schema/3/"
_V2: Final = "http://datex2.eu/schema/2/"
_SIT: Final = f"{{{_V3}situation}}"
_COM: Final = f"{{{_V3}common}}"
_LOC: Final = f"{{{_V3}locationReferencing}}"
_GML: Final = "{http://www.opengis.net/gml"
_XSI_TYPE: Final = "{http://www.w3.org/2001/XMLSchema-instance}type"

CLOSED_WORDS: Final = frozenset(("roadClosed", "closedPermanentlyForTheWinter"))
_NO_CHAINS: Final = frozenset(("doNotUseStudTyres",))  # requires no chains, so it is not a chain control
# Reference systems whose posList has latitude first, in degrees equivalent to WGS 84 at a road's accuracy.
_LAT_LON: Final = (
    "EPSG::4326",
    "EPSG:4326",
    "EPSG/0/4326",
    "EPSG::4258",
    "EPSG:4258",
    "EPSG/0/4258",
    "WGS84",
    "WGS 84",
)
_LON_LAT: Final = ("CRS84",)
MAX_DEPTH: Final = 100
MAX_RECORDS: Final = 20_000


def read_datex(source: str, body: bytes) -> FeedContent:
    """Return the relevant records of a publication. Raises SourceChanged for any other document."""
    root = _parsed(source, body)
    if root.tag.startswith(f"{{{_V2}") or any(e.tag.startswith(f"{{{_V2}") for e in list(root)[:5]):
        raise SourceChanged(source, "is DATEX II version 2, and version 3 is read here")
    publications = [e for e in root.iter() if e.get(_XSI_TYPE) == f"{_SIT}SituationPublication"]
    if not publications:
        raise SourceChanged(source, "holds no DATEX II version 3 SituationPublication")
    rows: list[FeedRow] = []
    left_out: Counter[str] = Counter()
    published = [_time(_text(p.find(f"{_COM}publicationTime"))) for p in publications]
    for n, (situation, record) in enumerate(_records(publications)):
        if n >= MAX_RECORDS:
            raise SourceChanged(source, f"has more than {MAX_RECORDS} situation records")
        why = _left_out(situation, record)
        if why:
            left_out[why] += 1
        else:
            rows.append(_row(situation, record))
    known = [p for p in published if p is not None]
    return FeedContent(
        rows=tuple(rows),
        published=min(known) if known and len(known) == len(published) else None,
        left_out=tuple(f"{n} {why}" for why, n in left_out.items()),
    )


def _parsed(source: str, body: bytes) -> Element:
    """Parse the document; xsi:type becomes {namespace}name by the prefixes in scope at the element."""
    scopes: dict[str, list[str]] = {}
    depth = 0
    root: Element | None = None
    try:
        events = iterparse(
            BytesIO(body),
            events=("start", "end", "start-ns", "end-ns"),
            forbid_dtd=True,
            forbid_entities=True,
            forbid_external=True,
        )
        opened: list[str] = []
        for event, it in events:
            if event == "start-ns":
                prefix, uri = it
                scopes.setdefault(prefix, []).append(uri)
                opened.append(prefix)
            elif event == "end-ns":
                scopes[opened.pop()].pop()
            elif event == "start":
                depth += 1
                if depth > MAX_DEPTH:
                    raise SourceChanged(source, f"is nested deeper than {MAX_DEPTH} elements")
                root = it if root is None else root
                named = it.get(_XSI_TYPE)
                if named is not None:
                    prefix, _, name = named.strip().rpartition(":")
                    uris = scopes.get(prefix, [])
                    it.set(_XSI_TYPE, f"{{{uris[-1]}}}{name}" if uris else name)
            else:
                depth -= 1
    except DefusedXmlException as exc:
        what = "a document type or an entity"
        raise SourceChanged(source, f"has {what} ({type(exc).__name__}), which is refused") from exc
    except (ParseError, ValueError, LookupError) as exc:
        raise SourceChanged(source, f"is not whole XML ({exc})") from exc
    if root is None:
        raise SourceChanged(source, "is empty")
    return root


def _records(publications: list[Element]) -> Iterator[tuple[Element, Element]]:
    for publication in publications:
        for situation in publication.iter(f"{_SIT}situation"):
            for record in situation.findall(f"{_SIT}situationRecord"):
                yield situation, record


def _left_out(situation: Element, record: Element) -> str:
    """Return why a record is not used for planning, "" if it is."""
    kind = record.get(_XSI_TYPE, "").rpartition("}")[2]
    if kind not in ("WinterDrivingManagement", "RoadOrCarriagewayOrLaneManagement"):
        return "of other kinds"
    status = _text(situation.find(f"{_SIT}headerInformation/{_COM}informationStatus"))
    if status not in ("", "real"):
        return f"marked as {status}, not real"
    words = _types(record, kind)
    if kind != "WinterDrivingManagement" and not CLOSED_WORDS.intersection(words):
        return "of road management other than closing"
    if kind == "WinterDrivingManagement" and words and _NO_CHAINS.issuperset(words):
        return "about studs only"
    if _text(record.find(f"{_SIT}validity/{_COM}validityStatus")) == "suspended":
        return "suspended"
    ended = [e for e in record.iter() if e.tag.rpartition("}")[2] in ("cancel", "end") and _text(e) in ("true", "1")]
    return "ended or cancelled" if ended else ""


def _types(record: Element, kind: str) -> tuple[str, ...]:
    name = {
        "WinterDrivingManagement": "winterEquipmentManagementType",
        "RoadOrCarriagewayOrLaneManagement": "roadOrCarriagewayOrLaneManagementType",
    }[kind]
    found = []
    for e in record.findall(f"{_SIT}{name}"):
        extended = next((v for k, v in e.attrib.items() if k.rpartition("}")[2] == "_extendedValue"), "")
        found.append(extended or _text(e))
    return tuple(found)


def _row(situation: Element, record: Element) -> FeedRow:
    kind = record.get(_XSI_TYPE, "").rpartition("}")[2]
    compliance = _text(record.find(f"{_SIT}complianceOption"))
    words = _types(record, kind)
    if kind == "RoadOrCarriagewayOrLaneManagement":
        text = next(w for w in words if w in CLOSED_WORDS)
    else:
        text = " ".join(filter(None, (compliance, *words)))
    comments = [_text(v) for c in record.findall(f"{_SIT}generalPublicComment") for v in c.iter(f"{_COM}value")]
    id_ = record.get("id") or situation.get("id") or ""
    status = _text(record.find(f"{_SIT}validity/{_COM}validityStatus"))
    since = _time(_text(record.find(f"{_SIT}validity/{_COM}validityTimeSpecification/{_COM}overallStartTime")))
    until = _time(_text(record.find(f"{_SIT}validity/{_COM}validityTimeSpecification/{_COM}overallEndTime")))
    return FeedRow(
        id=short(id_),
        text=text,
        quote=short(": ".join(filter(None, (text, *comments[:1])))),
        closed=kind == "RoadOrCarriagewayOrLaneManagement",
        since=since,
        until=until,
        # "active" applies now, whatever the times are (ValidityStatusEnum).
        stands_now=status == "active",
        wheres=_wheres(record),
    )


def _wheres(record: Element) -> tuple[ControlLocation, ...]:
    """Return lines, or else points; several where the location is a group. Empty for other references."""
    reference = record.find(f"{_SIT}locationReference")
    if reference is None:
        return ()
    lines = [(_line(e, srs), ring) for e, srs, ring in _pos_lists(reference, "", ring=False)]
    if any(line is None for line, _ in lines):
        return ()  # the unreadable part may be the one on this road
    found = [ControlLocation(outline=x) if ring else ControlLocation(line=x) for x, ring in lines if x is not None]
    if found:
        return tuple(found)
    points = [p for p in map(_point, _coordinates(reference)) if p is not None]
    kind = reference.get(_XSI_TYPE, "").rpartition("}")[2]
    if len(points) > 1 and not kind.startswith("PointLocation") and points[0] != points[-1] and "Group" not in kind:
        return (ControlLocation(between=(points[0], points[-1])),)
    return tuple(ControlLocation(near=p) for p in dict.fromkeys(points))


def _coordinates(reference: Element) -> list[Element]:
    """Return elements with latitude and longitude; a position for map display only if there is no other."""
    both = [e for e in reference.iter() if e.find(f"{_LOC}latitude") is not None]
    drawn = [e for e in both if _named(e, "coordinatesForDisplay")]
    return [e for e in both if not _named(e, "coordinatesForDisplay")] or drawn


def _point(e: Element) -> LatLon | None:
    try:
        lat, lon = (float(_text(e.find(f"{_LOC}{name}"))) for name in ("latitude", "longitude"))
    except ValueError:
        return None
    return (lat, lon) if abs(lat) <= 90.0 and abs(lon) <= 180.0 else None


def _line(e: Element, srs: str) -> tuple[LatLon, ...] | None:
    lon_first = any(name in srs for name in _LON_LAT)
    if srs and not lon_first and not any(name in srs for name in _LAT_LON):
        return None
    try:
        numbers = [float(x) for x in _text(e).split()]
    except ValueError:
        return None
    size = 3 if _attribute(e, "srsDimension") == "3" else 2
    if len(numbers) < 2 * size or len(numbers) % size:
        return None
    pairs = [tuple(numbers[i : i + 2]) for i in range(0, len(numbers), size)]
    places = [(b, a) if lon_first else (a, b) for a, b in pairs]
    if not all(abs(lat) <= 90.0 and abs(lon) <= 180.0 for lat, lon in places):
        return None
    return tuple(places)


def _pos_lists(e: Element, srs: str, *, ring: bool) -> Iterator[tuple[Element, str, bool]]:
    """Yield each posList below, its srsName ("" for none), and whether it is a ring of an area."""
    srs, ring = _attribute(e, "srsName") or srs, ring or _named(e, "LinearRing")
    if _named(e, "posList"):
        yield e, srs, ring
    for child in e:
        yield from _pos_lists(child, srs, ring=ring)


def _attribute(e: Element, name: str) -> str:
    return next((v for k, v in e.attrib.items() if k.rpartition("}")[2] == name), "")


def _named(e: Element, name: str) -> bool:
    return e.tag == f"{_LOC}{name}" or _is_gml(e, name)


def _is_gml(e: Element, name: str) -> bool:
    return e.tag.startswith(_GML) and e.tag.endswith(f"}}{name}")


def _text(e: Element | None) -> str:
    return "" if e is None else " ".join((e.text or "").split())


def _time(text: str) -> datetime | None:
    """Parse an xs:dateTime to UTC; None if empty or without a zone, which is ambiguous."""
    try:
        when = datetime.fromisoformat(text)
        return None if when.utcoffset() is None else when.astimezone(UTC)
    except (ValueError, OverflowError):
        return None
