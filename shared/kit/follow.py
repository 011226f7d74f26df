"""Follows the event log of a daemon and continues where it stopped. Python 3.9 or later.

    python follow.py URL STATE_FILE [TOKEN_FILE]

It prints each event that is not yet known as one line of JSON, then ends. Run it every minute, or after an outage of
your receiver. STATE_FILE holds the number to continue from, written after the events were printed.
"""

import json
import sys
import urllib.request
from pathlib import Path


def page(url, after, token):
    request = urllib.request.Request(f"{url.rstrip('/')}/v1/events?after={after}&limit=200")
    if token:
        request.add_header("authorization", f"Bearer {token}")
    with urllib.request.urlopen(request, timeout=30) as answer:
        return json.load(answer)


def main(url, state_file, token_file=""):
    state = Path(state_file)
    token = Path(token_file).read_text(encoding="utf-8").strip() if token_file else ""
    after, more = int(state.read_text(encoding="utf-8")) if state.exists() else 0, True
    while more:
        found = page(url, after, token)
        if found["missed"]:
            print("events were deleted meanwhile: read the plans again", file=sys.stderr)
        for event in found["events"]:
            print(json.dumps(event), flush=True)
        after, more = found["next_after"], found["more"]
        state.write_text(str(after), encoding="utf-8")


if __name__ == "__main__":
    if not 3 <= len(sys.argv) <= 4:
        sys.exit(__doc__)
    try:
        main(*sys.argv[1:])
    except (OSError, ValueError) as exc:
        sys.exit(f"{sys.argv[1]}: {exc}")
