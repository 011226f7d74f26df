"""Turns to compute: one at a time, the urgent ones first, and none lost when a waiter is cancelled."""

import asyncio

import pytest

from alertd.planning.cycles.turns import Turns


class Order:
    """Who got the turn, one after the other."""

    def __init__(self) -> None:
        self.turns, self.got = Turns(), list[str]()

    async def take(self, name: str, *, urgent: bool = False) -> None:
        async with self.turns.turn(urgent=urgent):
            self.got.append(name)
            await asyncio.sleep(0)

    def start(self, name: str, *, urgent: bool = False) -> asyncio.Task[None]:
        return asyncio.create_task(self.take(name, urgent=urgent))


@pytest.fixture
async def order() -> Order:
    return Order()


async def test_urgent_waiters_come_first_and_others_in_order(order: Order) -> None:
    async with order.turns.turn():
        tasks = [order.start("a"), order.start("b"), order.start("posted", urgent=True), order.start("c")]
        await asyncio.sleep(0)
        assert order.got == []
    await asyncio.gather(*tasks)
    assert order.got == ["posted", "a", "b", "c"]


async def test_a_cancelled_waiter_takes_no_turn_away(order: Order) -> None:
    async with order.turns.turn():
        gone, next_one = order.start("gone"), order.start("next")
        await asyncio.sleep(0)
        gone.cancel()
        await asyncio.sleep(0)
    await asyncio.wait_for(next_one, 5.0)
    assert order.got == ["next"]


async def test_a_waiter_cancelled_as_its_turn_comes_passes_it_on(order: Order) -> None:
    async with order.turns.turn():
        gone, next_one = order.start("gone"), order.start("next")
        await asyncio.sleep(0)
    gone.cancel()  # its turn has come, and it has not run yet
    await asyncio.wait_for(next_one, 5.0)
    await asyncio.wait_for(order.take("last"), 5.0)
    assert order.got == ["next", "last"]
    assert gone.cancelled()


async def test_an_error_inside_passes_the_turn_on(order: Order) -> None:
    with pytest.raises(KeyError):
        async with order.turns.turn():
            raise KeyError("ours")
    await asyncio.wait_for(order.take("next"), 5.0)
    assert order.got == ["next"]


async def test_low_ranks_come_first_and_who_ends_may_ask_again(order: Order) -> None:
    async def road(name: str, ranks: list[int]) -> None:
        for rank in ranks:
            async with order.turns.turn(rank=rank):
                order.got.append(f"{name}{rank}")
                await asyncio.sleep(0)

    async with order.turns.turn():
        roads = [asyncio.create_task(road("b", [1, 3, 4])), asyncio.create_task(road("a", [0, 2, 5]))]
        await asyncio.sleep(0)
    await asyncio.gather(*roads)
    assert order.got == ["a0", "b1", "a2", "b3", "b4", "a5"]
