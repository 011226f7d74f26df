"""The receivers of the kit take what is ours, once, and refuse the rest; standardwebhooks, not ours, signs for them."""

import hashlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from standardwebhooks import Webhook

from alertd.cli.main import cli
from alertd.clock import system_clock

ROOT = Path(__file__).parents[2]
KIT = ROOT / "shared" / "kit"
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"  # upstream test secret of Standard Webhooks
RECEIVERS = {"python": [sys.executable, str(KIT / "receive.py")], "node": ["node", str(KIT / "receive.js")]}


@pytest.fixture
def secret_file(tmp_path: Path) -> Path:
    path = tmp_path / "secret.txt"
    path.write_text(f"whsec_{'A' * 32}\n{SECRET}\n", encoding="utf-8")
    return path


@pytest.fixture(params=RECEIVERS)
def receiver(request: pytest.FixtureRequest, secret_file: Path, tmp_path: Path) -> Iterator[tuple[str, Path]]:
    """The address of a running receiver, and its folder."""
    command = RECEIVERS[request.param]
    if shutil.which(command[0]) is None:
        pytest.skip(f"no {command[0]} on this machine")
    folder = tmp_path / "received"
    process = subprocess.Popen([*command, str(secret_file), "0", str(folder)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        yield process.stdout.readline().split()[-1], folder
    finally:
        process.terminate()
        process.communicate()


def test_receivers_pass_every_case_of_the_fault_script(receiver: tuple[str, Path], tmp_path: Path) -> None:
    """The script signs with the second of two secrets, as while a secret is being changed."""
    url, folder = receiver
    one = tmp_path / "one.txt"
    one.write_text(SECRET, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, str(KIT / "faults.py"), str(one), url], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count("ok ") == 23
    (latest,) = folder.glob("latest-*.json")
    assert json.loads(latest.read_text(encoding="utf-8"))["timestamp"] == "2027-01-14T12:00:00Z"
    assert len([p for p in folder.glob("*.json") if not p.name.startswith("latest")]) == 15


def test_the_shell_script_passes_every_case_of_faults(tmp_path: Path) -> None:
    if shutil.which("openssl") is None:
        pytest.skip("no openssl on this machine")
    one = tmp_path / "one.txt"
    one.write_text(SECRET + "\n", encoding="utf-8")
    command = [sys.executable, str(KIT / "faults.py"), str(one)]
    done = subprocess.run([*command, str(KIT / "verify.sh")], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout.count("ok ")) == (0, 23), done.stdout + done.stderr
    wrong = subprocess.run([*command, str(tmp_path / "none.sh")], capture_output=True, text=True, check=False)
    assert "is neither an address nor a script" in wrong.stderr
    assert "Traceback" not in wrong.stderr


def signed(body: str, at: datetime, id_: str = "ntc_1") -> tuple[str, str]:
    stamp = datetime.fromtimestamp(int(at.timestamp()), UTC)
    return str(int(stamp.timestamp())), Webhook(SECRET).sign(id_, stamp, body)


@pytest.mark.skipif(shutil.which("openssl") is None, reason="no openssl on this machine")
def test_the_shell_verifies_with_openssl_alone(secret_file: Path) -> None:
    body = (KIT / "samples" / "trip.plan.json").read_text(encoding="utf-8")
    stamp, signature = signed(body, system_clock())

    def status(*arguments: str, sent: str = body) -> int:
        command = ["sh", str(KIT / "verify.sh"), str(secret_file), *arguments]
        return subprocess.run(command, input=sent.encode(), capture_output=True, check=False).returncode

    assert status("ntc_1", stamp, f"v1,AAAA {signature}") == 0
    assert status("ntc_2", stamp, signature) == 1
    assert status("ntc_1", stamp, signature, sent=body + " ") == 1
    assert status("ntc_1", stamp, "*") == 1
    old, its = signed(body, system_clock() - timedelta(minutes=6))
    assert status("ntc_1", old, its) == 1


@pytest.mark.skipif(shutil.which("openssl") is None, reason="no openssl on this machine")
def test_the_shell_receives_as_cgi_and_stores_once(secret_file: Path, tmp_path: Path) -> None:
    """Variables after RFC 3875 section 4.1."""
    body = (KIT / "samples" / "trip.message.json").read_text(encoding="utf-8")
    stamp, signature = signed(body, system_clock())
    folder = tmp_path / "received"
    folder.mkdir()
    given = {
        "GATEWAY_INTERFACE": "CGI/1.1",
        "REQUEST_METHOD": "POST",
        "CONTENT_LENGTH": str(len(body.encode())),
        "HTTP_WEBHOOK_ID": "ntc_1",
        "HTTP_WEBHOOK_TIMESTAMP": stamp,
        "HTTP_WEBHOOK_SIGNATURE": signature,
        "ALERTD_SECRET_FILE": str(secret_file),
        "ALERTD_FOLDER": str(folder),
        "PATH": os.environ["PATH"],
    }

    def answer(**changed: str) -> str:
        done = subprocess.run(
            ["sh", str(KIT / "verify.sh")], input=body.encode(), env=given | changed, capture_output=True, check=True
        )
        return done.stdout.decode().split("\r\n")[0]

    assert [answer(), answer()] == ["Status: 204 No Content"] * 2
    name = hashlib.sha256(b"ntc_1").hexdigest()[:32]
    assert [p.name for p in folder.iterdir()] == [f"{name}.json"]
    assert (folder / f"{name}.json").read_text(encoding="utf-8") == body
    assert answer(HTTP_WEBHOOK_ID="ntc_2") == "Status: 401 Unauthorized"


def test_webhook_test_sends_signed_samples_of_every_type(
    receiver: tuple[str, Path], secret_file: Path, tmp_path: Path
) -> None:
    """`alertd webhook test` against the receivers of the kit, in both envelopes."""
    url, folder = receiver
    shutil.copy(ROOT / "fixtures" / "demo" / "alertd.toml", tmp_path / "alertd.toml")
    for envelope in ("plain", "cloudevents"):
        text = (ROOT / "fixtures" / "demo" / "alertd.toml").read_text(encoding="utf-8")
        before, _, rest = text.partition("[[webhook]]")
        _, found, after = rest.partition("\n[")
        table = (
            f'[[webhook]]\nname = "tms"\nurl = "{url}"\nsecret_file = "{secret_file}"\naudiences = ["fleet"]\n'
            f'envelope = "{envelope}"\nallow_networks = ["127.0.0.0/8"]\n'
        )
        (tmp_path / "alertd.toml").write_text(before + table + found + after, encoding="utf-8")
        done = CliRunner().invoke(cli, ["webhook", "test", "tms", "--config", str(tmp_path / "alertd.toml"), "--json"])
        assert done.exit_code == 0, done.output
        rows = json.loads(done.output)
        assert [row["status"] for row in rows] == [204] * 10
        ids = [hashlib.sha256(row["id"].encode()).hexdigest()[:32] for row in rows]
        assert all((folder / f"{id_}.json").exists() for id_ in ids)
    unknown = CliRunner().invoke(cli, ["webhook", "test", "none", "--config", str(tmp_path / "alertd.toml")])
    assert unknown.exit_code == 1
    assert "name one of: tms" in unknown.output


def test_command_copies_the_kit_once(tmp_path: Path) -> None:
    run = CliRunner().invoke
    done = run(cli, ["webhook", "kit", str(tmp_path / "kit"), "--json"])
    assert done.exit_code == 0, done.output
    copied = {path.relative_to(tmp_path / "kit").as_posix() for path in (tmp_path / "kit").rglob("*") if path.is_file()}
    assert copied == set(json.loads(done.output)["files"])
    assert {"receive.py", "receive.js", "verify.sh", "faults.py", "samples/trip.plan.json"} <= copied
    again = run(cli, ["webhook", "kit", str(tmp_path / "kit")])
    assert (again.exit_code, "is there already; name a folder that is not" in again.output) == (1, True)
