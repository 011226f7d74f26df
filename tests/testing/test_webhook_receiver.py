"""The stand-in receiver refuses what a real one would, so that a test or demo that passes it means something."""

import socket
from collections.abc import Callable
from datetime import UTC, datetime
from http.client import HTTPConnection

import pytest

from alertd.delivery.standard_webhooks import headers, read_secret
from alertd.testing.webhook_receiver import ReceiverFault, WebhookReceiver

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"  # upstream test secret of Standard Webhooks
KEY = read_secret(SECRET, where="test", field="secret")


def _post(receiver: WebhookReceiver, sent: dict[str, str], body: bytes) -> int:
    connection = HTTPConnection("127.0.0.1", int(receiver.url.split(":")[2].split("/")[0]), timeout=5)
    try:
        connection.request("POST", "/notices", body, sent)
        return connection.getresponse().status
    finally:
        connection.close()


def _now_s() -> int:
    return int(datetime.now(UTC).timestamp())


def test_a_sound_request_is_kept() -> None:
    with WebhookReceiver(SECRET) as receiver:
        assert _post(receiver, headers([KEY], "ntc_1", _now_s(), b"{}"), b"{}") == 204
        assert [(got.id, got.body) for got in receiver.received] == [("ntc_1", b"{}")]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda sent: sent | {"webhook-signature": "v1,AAAA"},
        lambda sent: sent | {"webhook-signature": "no comma"},
        lambda sent: sent | {"webhook-signature": "v1a," + sent["webhook-signature"][3:]},
        lambda sent: sent | {"webhook-id": "ntc_2"},
        lambda sent: sent | {"webhook-timestamp": str(int(sent["webhook-timestamp"]) + 1)},
        lambda sent: sent | {"webhook-timestamp": "soon"},
        lambda sent: {name: value for name, value in sent.items() if name != "webhook-id"},
        lambda sent: {},
    ],
)
@pytest.mark.parametrize("own_clock", [False, True])
def test_a_spoilt_request_is_refused(spoil: Callable, own_clock: bool) -> None:
    clock = (lambda: datetime.now(UTC)) if own_clock else None
    with WebhookReceiver(SECRET, clock=clock) as receiver:
        assert _post(receiver, spoil(headers([KEY], "ntc_1", _now_s(), b"{}")), b"{}") == 400
        assert receiver.received == []
        assert len(receiver.refused) == 1


@pytest.mark.parametrize(("off_s", "status"), [(0, 204), (299, 204), (-299, 204), (301, 400), (-301, 400)])
def test_a_given_clock_is_what_timestamps_are_held_against(off_s: int, status: int) -> None:
    storm = datetime(2031, 1, 5, 12, tzinfo=UTC)
    with WebhookReceiver(SECRET, clock=lambda: storm) as receiver:
        sent = headers([KEY], "ntc_1", int(storm.timestamp()) + off_s, b"{}")
        assert _post(receiver, sent, b"{}") == status


def test_faults_are_played_in_order_and_then_it_is_sound_again() -> None:
    with WebhookReceiver(SECRET) as receiver:
        receiver.queue_faults(ReceiverFault(status=500), None, ReceiverFault(status=503))
        receiver.set_fault(ReceiverFault(status=410))
        sent = headers([KEY], "ntc_1", _now_s(), b"{}")
        assert [_post(receiver, sent, b"{}") for _ in range(4)] == [500, 204, 503, 410]
        receiver.set_fault(None)
        assert _post(receiver, sent, b"{}") == 204
        assert (len(receiver.received), receiver.requests_n) == (2, 5)


def test_request_cut_off_in_the_middle_is_ignored() -> None:
    with WebhookReceiver(SECRET) as receiver:
        port = int(receiver.url.split(":")[2].split("/")[0])
        with socket.create_connection(("127.0.0.1", port), timeout=5) as cut:
            cut.sendall(b"POST /notices HTTP/1.1\r\nHost: here\r\nContent-Length: 10\r\n\r\n{}")
            cut.shutdown(socket.SHUT_WR)
            assert cut.recv(100) == b""
        assert (receiver.received, receiver.refused) == ([], [])


def test_it_is_gone_when_closed() -> None:
    with WebhookReceiver(SECRET) as receiver:
        port = int(receiver.url.split(":")[2].split("/")[0])
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port), timeout=1)
