"""The signature against the specification's vector, vectors made with the reference library, and the library itself."""

import base64
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from standardwebhooks import Webhook, WebhookVerificationError

from alertd.delivery.standard_webhooks import headers, read_secret, sign
from alertd.errors import ConfigError

ID = "msg_2KWPBgLlAfxdpx2AI54pPJ85f4W"
EVENT = '{"type":"example.event","timestamp":"2022-11-03T20:26:10.344522Z","data":{"foo":"bar","fizzbuzz":2}}'


def _key(secret: str) -> bytes:
    return read_secret(secret, where="test", field="secrets")


@pytest.mark.parametrize(
    ("message_id", "timestamp_s", "body", "expected"),
    [
        pytest.param(
            # Test suite of the standard-webhooks project, libraries/python/tests.
            "msg_p5jXN8AQM9LWM0D4loKWxJek",
            1614265330,
            '{"test": 2432232314}',
            "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=",
            id="V1 upstream",
        ),
        # The next three were computed with the standardwebhooks library 1.1.0.
        pytest.param(ID, 1674087231, EVENT, "v1,9TT+glcp/WPlw5Se7tPdao8VOU84d+sN8vD6bDNYLNI=", id="V2 event"),
        pytest.param(
            ID,
            1674087231,
            '{"name":"Col de l’Iseran ❄","km":12.5}',
            "v1,YexQ0R4xwf/kJiRsH11o9PdNkAZ0VcgGV/vbh0pWuNo=",
            id="V3 UTF-8",
        ),
        pytest.param(ID, 1674087231, "", "v1,A5hMMR9P/3wRdDlYQIpfU6eGBMB4KECXzx5EMRv7TBg=", id="V4 empty"),
    ],
)
def test_signature_vectors(secret: str, message_id: str, timestamp_s: int, body: str, expected: str) -> None:
    assert sign(_key(secret), message_id, timestamp_s, body.encode()) == expected


@given(body=st.text(), key=st.binary(min_size=24, max_size=64), at=st.integers(0, 4_000_000_000))
def test_every_signature_equals_the_librarys(body: str, key: bytes, at: int) -> None:
    secret = "whsec_" + base64.b64encode(key).decode()
    try:
        encoded = body.encode()
    except UnicodeEncodeError:
        return  # lone surrogates cannot be sent
    assert sign(_key(secret), ID, at, encoded) == Webhook(secret).sign(ID, datetime.fromtimestamp(at, UTC), body)


def test_library_accepts_our_headers_and_both_changing_secrets(secret: str) -> None:
    newer = "whsec_" + base64.b64encode(bytes(range(32))).decode()
    now_s = int(datetime.now(UTC).timestamp())
    ours = headers([_key(newer), _key(secret)], ID, now_s, b'{"a":1}')
    assert Webhook(secret).verify(b'{"a":1}', ours) == {"a": 1}
    assert Webhook(newer).verify(b'{"a":1}', ours) == {"a": 1}
    with pytest.raises(WebhookVerificationError):
        Webhook(newer).verify(b'{"a":2}', ours)


@pytest.mark.parametrize("off_s", [-302, 302])
def test_a_clock_five_minutes_off_is_refused_by_every_receiver(secret: str, off_s: int) -> None:
    """V6: why the clock of the daemon must be watched."""
    ours = headers([_key(secret)], ID, int(datetime.now(UTC).timestamp()) + off_s, b"{}")
    with pytest.raises(WebhookVerificationError, match="timestamp"):
        Webhook(secret).verify(b"{}", ours)


def test_the_shifted_signature_of_a_local_time_is_never_ours(secret: str) -> None:
    """V7: the library signs a -07:00 datetime as if it were UTC; we take epoch seconds only, so we cannot."""
    mountain = datetime.fromisoformat("2021-02-25T08:02:10-07:00")
    body, message_id = '{"test": 2432232314}', "msg_p5jXN8AQM9LWM0D4loKWxJek"
    shifted = Webhook(secret).sign(message_id, mountain, body)
    assert shifted.startswith("v1,xlYks7xc")
    assert sign(_key(secret), message_id, int(mountain.timestamp()), body.encode()) != shifted


@pytest.mark.parametrize(
    ("secret", "problem"),
    [
        ("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "must start with whsec_"),
        ("whsk_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "must start with whsec_"),
        ("whsec_nonsense key", "not base64"),
        ("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaS", "not base64"),
        ("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw\n", "not base64"),
        ("whsec_" + "A" * 33 + "B==", "has 25 bytes|canonical"),
        ("whsec_" + base64.b64encode(bytes(23)).decode(), "has 23 bytes"),
        ("whsec_" + base64.b64encode(bytes(65)).decode(), "has 65 bytes"),
        ("whsec_", "has 0 bytes"),
        ("whsec_é" + "A" * 31, "not base64"),
    ],
)
def test_a_mistyped_secret_is_refused_and_not_shown(secret: str, problem: str) -> None:
    with pytest.raises(ConfigError, match=problem) as caught:
        read_secret(secret, where="alertd.toml", field="webhook.secrets")
    assert len(secret) < 12 or secret.removeprefix("whsec_") not in str(caught.value)


@pytest.mark.parametrize("size", [24, 32, 64])
def test_secrets_of_24_to_64_bytes_are_taken(size: int) -> None:
    assert _key("whsec_" + base64.b64encode(bytes(range(size))).decode()) == bytes(range(size))
