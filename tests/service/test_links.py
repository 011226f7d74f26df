"""Signed links: what is genuine, what is not, and that nothing of one purpose opens another."""

import base64
import hashlib
import hmac
import os
import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from alertd.errors import ConfigError
from alertd.service.links import BOARD, DRIVER, Links, Opened, Subjects

END = datetime(2027, 1, 15, 6, tzinfo=UTC)


@pytest.fixture
def links(tmp_path: Path) -> Links:
    return Links(tmp_path / "made" / "links.key")


def test_a_token_opens_for_its_own_trip_and_purpose_only(links: Links) -> None:
    token = links.token(DRIVER, "QT-1041", END)
    assert len(token) == 36
    opened = links.opened(token, DRIVER, ["QT-1", "QT-1041"])
    assert opened is not None
    assert (opened.subject, opened.until) == ("QT-1041", END)
    assert links.opened(token, BOARD, ["QT-1041"]) is None
    assert links.opened(token, DRIVER, ["QT-1042"]) is None


def test_the_mac_is_hmac_sha256_as_the_docstring_says(links: Links, tmp_path: Path) -> None:
    """By hand from RFC 2104 and the standard library."""
    raw = base64.urlsafe_b64decode(links.token(DRIVER, "QT-1041", END))
    key = bytes.fromhex((tmp_path / "made" / "links.key").read_text())
    head = b"d" + hashlib.sha256(b"QT-1041").digest()[:6] + int(END.timestamp()).to_bytes(4, "big")
    assert raw == head + hmac.new(key, head + b"QT-1041", hashlib.sha256).digest()[:16]


def test_every_changed_letter_is_refused(links: Links) -> None:
    token = links.token(DRIVER, "QT-1041", END)
    for i, letter in enumerate(token):
        other = "A" if letter != "A" else "B"
        assert links.opened(token[:i] + other + token[i + 1 :], DRIVER, ["QT-1041"]) is None


@pytest.mark.parametrize("token", ["", "x", "é" * 36, "A" * 36, "A" * 4000, "A" * 35, "=" * 36, "\0" * 36])
def test_rubbish_is_refused(links: Links, token: str) -> None:
    assert links.opened(token, DRIVER, ["QT-1041"]) is None


def test_a_longer_end_cannot_be_written_into_a_token(links: Links) -> None:
    raw = bytearray(base64.urlsafe_b64decode(links.token(DRIVER, "QT-1041", END)))
    raw[7:11] = int((END + timedelta(days=30)).timestamp()).to_bytes(4, "big")
    assert links.opened(base64.urlsafe_b64encode(raw).decode(), DRIVER, ["QT-1041"]) is None


def test_the_key_is_kept_for_its_owner_only_and_outlives_a_restart(links: Links, tmp_path: Path) -> None:
    token, path = links.token(DRIVER, "QT-1041", END), tmp_path / "made" / "links.key"
    assert stat.S_IMODE(os.stat(path).st_mode) == 0o600
    assert Links(path).opened(token, DRIVER, ["QT-1041"]) is not None
    other = Links(tmp_path / "other.key")
    assert other.opened(token, DRIVER, ["QT-1041"]) is None


@pytest.mark.parametrize("content", ["", "abcd\n", "not hex, not at all"])
def test_a_key_file_without_a_key_is_told_in_one_line(tmp_path: Path, content: str) -> None:
    path = tmp_path / "links.key"
    path.write_text(content)
    with pytest.raises(ConfigError, match=r"daemon\.links_key_file") as refused:
        Links(path).token(DRIVER, "QT-1041", END)
    assert "\n" not in str(refused.value)


def test_a_token_is_looked_up_by_its_digest_without_a_read(links: Links) -> None:
    """The store is read for the first token and then once in half a minute at most, whatever strangers send."""
    now_s, reads, trips = 1000.0, [], ["QT-1041"]

    def read_all() -> list[str]:
        reads.append(now_s)
        return trips

    subjects = Subjects(links, DRIVER, read_all, lambda: now_s)
    rubbish = ["", "x", "anything", "A" * 35, "é" * 36, links.token(BOARD, "QT-1041", END), "Z" * 36]
    assert not any(subjects.opened(token) or subjects.is_worth_renewing(token) for token in rubbish)
    foreign = [base64.urlsafe_b64encode(b"d" + os.urandom(26)).decode() for _ in range(100)]
    for token in foreign:
        if subjects.is_worth_renewing(token):
            subjects.renew()
        assert subjects.opened(token) is None
    assert reads == [1000.0]
    elsewhere = Links(links._key_file)  # as another process makes it
    first, later = (elsewhere.token(DRIVER, name, END) for name in ("QT-1041", "QT-1050"))
    assert subjects.opened(first) == Opened(subject="QT-1041", until=END)
    trips.append("QT-1050")
    assert subjects.opened(later) is None
    now_s += 30.0
    assert subjects.is_worth_renewing(later)
    subjects.renew()
    assert subjects.opened(later) == Opened(subject="QT-1050", until=END)
    here = links.token(DRIVER, "QT-1060", END)
    assert subjects.opened(here) == Opened(subject="QT-1060", until=END)
