"""Receives alertd's webhooks with Python 3.9 or later, without other libraries.

    python receive.py SECRET_FILE [PORT] [FOLDER]

It verifies each request, answers at once, and stores each event once as FOLDER/ID.json. FOLDER/latest-TRIP.json is the
newest plan of a trip, whatever the order of arrival. A plain body and a CloudEvent are both taken.
"""

import base64
import hashlib
import hmac
import json
import sys
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

TOLERANCE_S = 300
MAX_BYTES = 64 * 1024


def is_ours(secrets, headers, body, now_s):
    """Whether one of the secrets ("whsec_...") signed these bytes within five minutes. Header names in lower case."""
    try:
        id_, sent = headers["webhook-id"], headers["webhook-timestamp"]
        fresh = abs(now_s - int(sent)) <= TOLERANCE_S
        given = headers["webhook-signature"].split()
    except (KeyError, ValueError):
        return False
    signed = f"{id_}.{sent}.".encode() + body
    right = [
        "v1," + base64.b64encode(hmac.digest(base64.b64decode(s.removeprefix("whsec_")), signed, "sha256")).decode()
        for s in secrets
    ]
    return fresh and any(hmac.compare_digest(one.encode(), other.encode()) for one in given for other in right)


def event_of(body):
    """The event of a body: that of a CloudEvent is its data."""
    found = json.loads(body)
    return found["data"] if "specversion" in found else found


def keep(folder, id_, event):
    """Store an event. Returns False when it was stored before."""
    path = folder / (hashlib.sha256(id_.encode()).hexdigest()[:32] + ".json")
    try:
        with path.open("x", encoding="utf-8") as file:
            json.dump(event, file)
    except FileExistsError:
        return False
    if event["type"] == "trip.plan":
        trip = hashlib.sha256(event["data"]["plan"]["trip_id"].encode()).hexdigest()[:16]
        latest = folder / f"latest-{trip}.json"
        known = json.loads(latest.read_text(encoding="utf-8"))["timestamp"] if latest.exists() else ""
        if event["timestamp"] >= known:  # ISO 8601 in UTC, so text order is time order
            latest.write_text(json.dumps(event), encoding="utf-8")
    return True


def handler(secrets, folder):
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self):
            length = int(self.headers.get("content-length") or 0)
            if not 0 < length <= MAX_BYTES:
                return self.answer(413)
            body = self.rfile.read(length)
            headers = {name.lower(): value for name, value in self.headers.items()}
            if not is_ours(secrets, headers, body, time.time()):
                return self.answer(401)
            try:
                event = event_of(body)
                new = keep(folder, headers["webhook-id"], event)
            except (ValueError, KeyError, TypeError):
                return self.answer(422)
            print(event["type"], headers["webhook-id"], "new" if new else "known", flush=True)
            return self.answer(204)

        def answer(self, status):
            self.send_response(status)
            self.send_header("content-length", "0")
            self.end_headers()

        def log_message(self, *_):
            pass

    return Handler


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit(__doc__)
    secret_file, port, folder = (*sys.argv[1:4], *("", "8700", "received")[len(sys.argv[1:4]) :])
    Path(folder).mkdir(exist_ok=True)
    secrets = Path(secret_file).read_text(encoding="utf-8").split()
    server = ThreadingHTTPServer(("127.0.0.1", int(port)), handler(secrets, Path(folder)))
    print(f"listening on http://127.0.0.1:{server.server_port}/", flush=True)
    server.serve_forever()
