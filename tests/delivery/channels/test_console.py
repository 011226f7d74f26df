"""Notices on a text stream."""

import io

import pytest

from alertd.delivery.channels.console import ConsoleChannel
from alertd.errors import DeliveryError


async def test_a_notice_is_written_whole_and_cannot_move_the_cursor(make_out) -> None:
    stream = io.StringIO()
    await ConsoleChannel("terminal", stream).send(make_out(text="HOLD at Larch Lot\x1b[2J\nroad closed\n"), 0.0)
    first, *rest = stream.getvalue().splitlines()
    assert first.startswith("--- terminal: plan, trip trip-1, ntc_")
    assert rest == ["HOLD at Larch Lot [2J", "road closed"]


async def test_a_closed_stream_is_a_failure_that_is_tried_again(make_out) -> None:
    stream = io.StringIO()
    stream.close()
    with pytest.raises(DeliveryError) as caught:
        await ConsoleChannel("terminal", stream).send(make_out(), 0.0)
    assert not caught.value.permanent
