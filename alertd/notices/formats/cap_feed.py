"""Encodes a feed of CAP alerts (Atom, RFC 4287), for systems that poll for active alerts."""

from collections.abc import Sequence
from datetime import UTC, datetime
from urllib.parse import quote
from xml.etree import ElementTree as ET

from alertd.notices.formats.cap import NAMESPACE, CapSender, to_bytes

ATOM = "http://www.w3.org/2005/Atom"
MEDIA_TYPE = "application/atom+xml; charset=utf-8"
ALERT_MEDIA_TYPE = "application/cap+xml; charset=utf-8"


def cap_feed(
    alerts: Sequence[bytes], sender: CapSender, base_url: str, updated: datetime, *, ending: str = "", own_url: str = ""
) -> bytes:
    """Return a feed of `alerts` from `cap_alert`, newest first; each is at `base_url`/<identifier>`ending`.

    The feed's time is that of the newest alert, or `updated` when there is none. own_url: the feed's URL, if not
    `base_url`.
    """
    entries = sorted((ET.fromstring(alert) for alert in alerts), key=_sent, reverse=True)  # noqa: S314 - our own bytes
    base = base_url.rstrip("/")
    feed = ET.Element("feed", {"xmlns": ATOM})
    _put(feed, "id", f"{sender.id}:alerts")  # RFC 4287 section 4.2.6: the id stays when the address changes
    _put(feed, "title", f"Chain advice of {sender.name}")
    _put(feed, "updated", _time(_sent(entries[0]) if entries else updated))
    author = ET.SubElement(feed, "author")
    _put(author, "name", sender.name)
    ET.SubElement(feed, "link", {"rel": "self", "href": own_url or base, "type": "application/atom+xml"})
    for alert in entries:
        _put_entry(feed, alert, base, ending)
    return to_bytes(feed)


def _put_entry(feed: ET.Element, alert: ET.Element, base: str, ending: str) -> None:
    identifier, kind = _of(alert, "identifier"), _of(alert, "msgType")
    headlines = [x.text or "" for x in alert.iterfind(f"{{{NAMESPACE}}}info/{{{NAMESPACE}}}headline")]
    entry = ET.SubElement(feed, "entry")
    _put(entry, "id", f"urn:alertd:alert:{quote(identifier, safe='')}")
    _put(entry, "title", headlines[0] if headlines else f"{kind}: {_of(alert, 'note')}")
    _put(entry, "updated", _time(_sent(alert)))
    link = {"rel": "alternate", "href": f"{base}/{identifier}{ending}", "type": "application/cap+xml"}
    ET.SubElement(entry, "link", link)
    ET.SubElement(entry, "category", {"term": kind})
    _put(entry, "summary", "; ".join(headlines) or _of(alert, "note"))


def _of(alert: ET.Element, tag: str) -> str:
    return alert.findtext(f"{{{NAMESPACE}}}{tag}") or ""


def _sent(alert: ET.Element) -> datetime:
    return datetime.fromisoformat(_of(alert, "sent"))


def _time(at: datetime) -> str:
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _put(parent: ET.Element, tag: str, text: str) -> None:
    ET.SubElement(parent, tag).text = text
