"""Parses DATEX II version 3 (CEN/TS 16157) publications: winter equipment rules and road closures.

Elements are found by local name: some operators send the children of a record without a namespace, and root elements
differ (`payload` with xsi:type, `situationPublication`, a container). The parser uses:

- situationRecord of xsi:type WinterDrivingManagement: complianceOption, winterEquipmentManagementType;
- of xsi:type RoadOrCarriagewayOrLaneManagement: roadOrCarriagewayOrLaneManagementType;
- validity: validityStatus, overallStartTime, overallEndTime, validPeriod (see `datex_periods`);
- applicableForTrafficDirection and forVehiclesWithCharacteristicsOf (see `datex_scope`);
- informationStatus of the situation's header, generalPublicComment;
- locationReference (see `datex_location`).

Names: schemas 3.1 and 3.7 of the DATEX II organisation (Situation, Common). From memory, not read in the schemas:
cancel and end, and the attribute _extendedValue.

A document type or an entity is refused: neither is needed, and both allow attacks on a parser.
"""

import zlib
from collections import Counter
from collections.abc import Iterator
from datetime import datetime
from io import BytesIO
from typing import Final
from xml.etree.ElementTree import Element, ParseError

from defusedxml import DefusedXmlException
from defusedxml.ElementTree import iterparse

from alertd.errors import SourceChanged
from alertd.sources.iso_time import iso_utc
from alertd.sources.road_feeds.datex_location import wheres
from alertd.sources.road_feeds.datex_periods import Interval, valid_intervals
from alertd.sources.road_feeds.datex_scope import bearing_deg, not_for_trucks
from alertd.sources.road_feeds.model import FeedContent, FeedRow, short
from alertd.sources.road_feeds.xml_names import child, children, local, text, under

_V2: Final = "http://datex2.eu/schema/2/"
_V3: Final = "http://datex2.eu/schema/3/"
_XSI_TYPE: Final = "{http://www.w3.org/2001/XMLSchema-instance}type"

# RoadOrCarriagewayOrLaneManagementTypeEnum: the values that close the road ahead of a truck.
CLOSED_WORDS: Final = frozenset(
    ("roadClosed", "closedPermanentlyForTheWinter", "carriagewayClosures", "overnightClosures")
)
# Closures of minutes at a time: no reason to hold, a reason to be ready. No level is claimed for them.
SHORT_CLOSURES: Final = frozenset(("intermittentShortTermClosures", "rollingRoadBlock"))
_NO_CHAINS: Final = frozenset(("doNotUseStudTyres",))  # requires no chains, so it is not a chain control
MAX_DEPTH: Final = 100
MAX_RECORDS: Final = 20_000
MAX_UNPACKED_BYTES: Final = 60_000_000


def read_datex(source: str, body: bytes, zone: str = "") -> FeedContent:
    """Return the relevant records of a publication. Raises SourceChanged for any other document.

    zone: IANA name for recurring times of day without an offset, "" if there is none.
    """
    root = parse_xml(source, body)
    if root.tag.startswith(f"{{{_V2}") or any(e.tag.startswith(f"{{{_V2}") for e in list(root)[:5]):
        raise SourceChanged(source, "is DATEX II version 2, and version 3 is read here")
    publications = publications_of(root, "SituationPublication")
    if not publications:
        raise SourceChanged(source, "holds no DATEX II version 3 SituationPublication")
    rows: list[FeedRow] = []
    left_out: Counter[str] = Counter()
    published = [iso_utc(text(child(p, "publicationTime"))) for p in publications]
    known = [p for p in published if p is not None]
    at = min(known) if known and len(known) == len(published) else None
    for n, (situation, record) in enumerate(_records(publications)):
        if n >= MAX_RECORDS:
            raise SourceChanged(source, f"has more than {MAX_RECORDS} situation records")
        why = _left_out(situation, record)
        if why:
            left_out[why] += 1
        else:
            rows += _rows(situation, record, at, zone)
    return FeedContent(rows=tuple(rows), published=at, left_out=tuple(f"{n} {why}" for why, n in left_out.items()))


def publications_of(root: Element, name: str) -> list[Element]:
    """The publications of a type: by xsi:type of a `payload`, or by an element of that name."""
    own = f"{name[0].lower()}{name[1:]}"
    return [e for e in root.iter() if _is_version_3(e.get(_XSI_TYPE, ""), name) or _is_version_3(e.tag, own)]


def _is_version_3(qualified: str, name: str) -> bool:
    """Whether a {namespace}name is `name` of version 3, or without a namespace."""
    space, _, own = qualified.rpartition("}")
    return own == name and (not space or space.startswith(f"{{{_V3}"))


def type_name(e: Element) -> str:
    """The local name of an element's xsi:type, "" without one."""
    return e.get(_XSI_TYPE, "").rpartition("}")[2]


def _unpacked(source: str, body: bytes) -> bytes:
    """The document of a gzip file, as some operators publish it; any other body as it is."""
    if not body.startswith(b"\x1f\x8b"):
        return body
    inflater = zlib.decompressobj(wbits=31)
    try:
        whole = inflater.decompress(body, MAX_UNPACKED_BYTES)
    except zlib.error as exc:
        raise SourceChanged(source, f"is not a whole gzip file ({exc})") from exc
    if inflater.unconsumed_tail or not inflater.eof:
        raise SourceChanged(source, f"is not whole, or larger than {MAX_UNPACKED_BYTES // 1_000_000} MB when unpacked")
    return whole


def parse_xml(source: str, body: bytes) -> Element:
    """Parse the document; xsi:type becomes {namespace}name by the prefixes in scope at the element."""
    body = _unpacked(source, body)
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
        for situation in (e for e in publication.iter() if local(e) == "situation"):
            for record in children(situation, "situationRecord"):
                yield situation, record


def _left_out(situation: Element, record: Element) -> str:
    """Return why a record is not used for planning, "" if it is."""
    kind = type_name(record)
    if kind not in _TYPE_ELEMENTS:
        return "of other kinds"
    status = text(under(situation, "headerInformation", "informationStatus"))
    if status not in ("", "real"):
        return f"marked as {status}, not real"
    words = _types(record)
    if kind != "WinterDrivingManagement" and not (CLOSED_WORDS | SHORT_CLOSURES).intersection(words):
        return "of road management other than closing"
    if kind == "WinterDrivingManagement" and words and _NO_CHAINS.issuperset(words):
        return "about studs only"
    if not_for_trucks(record):
        return "for vehicles other than trucks"
    if text(under(record, "validity", "validityStatus")) == "suspended":
        return "suspended"
    ended = [e for e in record.iter() if local(e) in ("cancel", "end") and text(e) in ("true", "1")]
    return "ended or cancelled" if ended else ""


_TYPE_ELEMENTS: Final = {
    "WinterDrivingManagement": "winterEquipmentManagementType",
    "RoadOrCarriagewayOrLaneManagement": "roadOrCarriagewayOrLaneManagementType",
}


def _types(record: Element) -> tuple[str, ...]:
    found = []
    for e in children(record, _TYPE_ELEMENTS[type_name(record)]):
        extended = next((v for k, v in e.attrib.items() if k.rpartition("}")[2] == "_extendedValue"), "")
        found.append(extended or text(e))
    return tuple(found)


def _rows(situation: Element, record: Element, published: datetime | None, zone: str) -> list[FeedRow]:
    """One row for each interval of validity."""
    words = _types(record)
    closing = [w for w in words if w in CLOSED_WORDS]
    if type_name(record) == "RoadOrCarriagewayOrLaneManagement":
        named = closing[0] if closing else next(w for w in words if w in SHORT_CLOSURES)
    else:
        named = " ".join(filter(None, (text(child(record, "complianceOption")), *words)))
    comments = [text(v) for c in children(record, "generalPublicComment") for v in c.iter() if local(v) == "value"]
    status = text(under(record, "validity", "validityStatus"))
    specification = under(record, "validity", "validityTimeSpecification")
    # "active" applies now, whatever the times are (ValidityStatusEnum).
    overall = Interval(
        iso_utc(text(child(specification, "overallStartTime"))), iso_utc(text(child(specification, "overallEndTime")))
    )
    intervals, remark = (
        ((overall,), "") if status == "active" else valid_intervals(specification, overall, published, zone)
    )
    return [
        FeedRow(
            id=short(record.get("id") or situation.get("id") or ""),
            text=named,
            quote=short(": ".join(filter(None, (named, *comments[:1], remark)))),
            closed=bool(closing),
            since=interval.since,
            until=interval.until,
            stands_now=status == "active",
            wheres=wheres(child(record, "locationReference")),
            bearing_deg=bearing_deg(record),
        )
        for interval in intervals
    ]
