"""Prints the active CAP 1.2 alerts of a daemon. Python 3.9 or later.

    python alerts.py URL [TOKEN_FILE]

One line an alert: its kind, its end, and its headlines. An `Update` or `Cancel` replaces those that `references` names.
A trip without an alert may still need chains: posted signs and officers decide.
"""

import sys
import urllib.request
from pathlib import Path
from xml.etree import ElementTree as ET

ATOM, CAP = "{http://www.w3.org/2005/Atom}", "{urn:oasis:names:tc:emergency:cap:1.2}"


def fetch(url, token):
    request = urllib.request.Request(url)
    if token:
        request.add_header("authorization", f"Bearer {token}")
    with urllib.request.urlopen(request, timeout=30) as answer:
        return ET.fromstring(answer.read())  # noqa: S314 - of your own daemon


def described(alert):
    """One line of an alert."""
    parts = [info.findtext(f"{CAP}headline") for info in alert.iterfind(f"{CAP}info")]
    ends = [info.findtext(f"{CAP}expires") or "no end" for info in alert.iterfind(f"{CAP}info")]
    replaces = [one.split(",")[1] for one in (alert.findtext(f"{CAP}references") or "").split()]
    line = f"{alert.findtext(f'{CAP}msgType')} {alert.findtext(f'{CAP}identifier')}: {'; '.join(filter(None, parts))}"
    return line + (f" (until {max(ends)})" if ends else "") + (f" replaces {', '.join(replaces)}" if replaces else "")


def main(url, token_file=""):
    token = Path(token_file).read_text(encoding="utf-8").strip() if token_file else ""
    feed = fetch(f"{url.rstrip('/')}/v1/alerts.atom", token)
    for entry in feed.iterfind(f"{ATOM}entry"):
        print(described(fetch(entry.find(f"{ATOM}link").get("href"), token)))


if __name__ == "__main__":
    if not 2 <= len(sys.argv) <= 3:
        sys.exit(__doc__)
    try:
        main(*sys.argv[1:])
    except (OSError, ValueError, ET.ParseError) as exc:
        sys.exit(f"{sys.argv[1]}: {exc}")
