"""Sends a receiver what a network and an attacker send: late, doubled, out of order, changed. Python 3.9 or later.

    python faults.py SECRET_FILE URL
    python faults.py SECRET_FILE verify.sh

Each line shows what was sent, the answer, and whether it is right. The exit status is 1 where one is wrong. Try it on
your own receiver before the first real event. The bodies are the samples beside this file. A script in place of the
URL is run by `sh` with SECRET_FILE, id, timestamp and signature, and the body on its standard input: its exit status 0
counts as 204, any other as 401. It sees no order of events, and takes no CloudEvent apart.
"""

import base64
import hmac
import json
import secrets as random
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

SAMPLES = Path(__file__).resolve().parent / "samples"


def sign(secret, id_, at_s, body):
    key = base64.b64decode(secret.removeprefix("whsec_"))
    return "v1," + base64.b64encode(hmac.digest(key, f"{id_}.{at_s}.".encode() + body, "sha256")).decode()


def post(url, headers, body):
    """The status of the answer; 0 without one."""
    request = urllib.request.Request(url, body, {"content-type": "application/json", **headers})
    try:
        with urllib.request.urlopen(request, timeout=20) as answer:
            return answer.status
    except urllib.error.HTTPError as exc:
        return exc.code
    except OSError:
        return 0


def run(script, secret_file, headers, body):
    """204 where the script's exit status is 0, else 401."""
    given = [headers.get(f"webhook-{name}", "") for name in ("id", "timestamp", "signature")]
    command = ["sh", script, secret_file, *given]
    done = subprocess.run(command, input=body, stdout=subprocess.DEVNULL, check=False)  # noqa: S603 - the caller's own
    return 204 if done.returncode == 0 else 401


def headers_of(secret, id_, at_s, body):
    return {"webhook-id": id_, "webhook-timestamp": str(at_s), "webhook-signature": sign(secret, id_, at_s, body)}


def cases(secret, now_s):
    """(what, headers, body, whether it must be taken) in the order of sending."""

    def event(name, timestamp=None):
        body = json.loads((SAMPLES / f"{name}.json").read_text(encoding="utf-8"))
        id_ = body["data"]["notice_id"] = "ntc_" + random.token_hex(16)
        body["timestamp"] = timestamp or body["timestamp"]
        return id_, json.dumps(body, separators=(",", ":")).encode()

    for path in sorted(SAMPLES.glob("*.json")):
        id_, body = event(path.stem)
        yield path.stem, headers_of(secret, id_, now_s, body), body, True
    id_, body = event("trip.message")
    yield "an event, then", headers_of(secret, id_, now_s, body), body, True
    yield "the same once more", headers_of(secret, id_, now_s, body), body, True
    id_, body = event("trip.plan", "2027-01-14T12:00:00Z")
    yield "a newer plan, then", headers_of(secret, id_, now_s, body), body, True
    id_, body = event("trip.plan", "2027-01-14T11:00:00Z")
    yield "the older one late: the newer must stay", headers_of(secret, id_, now_s, body), body, True
    id_, body = event("trip.plan")
    two = headers_of(secret, id_, now_s, body)
    yield (
        "a second secret's signature first",
        {**two, "webhook-signature": f"v1,AAAA {two['webhook-signature']}"},
        body,
        True,
    )
    wrapped = {"specversion": "1.0", "id": id_, "source": "urn:alertd:fleet:test", "type": "alertd.trip.plan"}
    id_, inner = event("trip.plan")
    cloud = json.dumps({**wrapped, "id": id_, "data": json.loads(inner)}).encode()
    as_cloud = {**headers_of(secret, id_, now_s, cloud), "content-type": "application/cloudevents+json"}
    yield "a CloudEvent", as_cloud, cloud, True
    id_, body = event("trip.message")
    yield "ten minutes old", headers_of(secret, id_, now_s - 600, body), body, False
    yield "ten minutes ahead", headers_of(secret, id_, now_s + 600, body), body, False
    yield "a changed body", headers_of(secret, id_, now_s, body), body.replace(b"trip", b"ship", 1), False
    yield "another id", {**headers_of(secret, id_, now_s, body), "webhook-id": "ntc_other"}, body, False
    other = "whsec_" + base64.b64encode(b"a secret of somebody else").decode()
    yield "another secret", headers_of(other, id_, now_s, body), body, False
    yield "no signature", {"webhook-id": id_, "webhook-timestamp": str(now_s)}, body, False
    yield "a time in words", {**headers_of(secret, id_, now_s, body), "webhook-timestamp": "now"}, body, False


def main(secret_file, url):
    by_script = "://" not in url
    if by_script and not Path(url).is_file():
        sys.exit(f"{url}: is neither an address nor a script; write http://HOST:PORT/ or the path of verify.sh")
    secret = Path(secret_file).read_text(encoding="utf-8").split()[0]
    wrong_n = 0
    for what, headers, body, taken in cases(secret, int(time.time())):
        status = run(url, secret_file, headers, body) if by_script else post(url, headers, body)
        right = 200 <= status < 300 if taken else 400 <= status < 500
        wrong_n += not right
        print(f"{'ok   ' if right else 'WRONG'} {status:>3}  {what}")
    return 1 if wrong_n else 0


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    sys.exit(main(*sys.argv[1:]))
