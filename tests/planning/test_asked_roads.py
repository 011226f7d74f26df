"""In what order the sources are asked for the roads of a cycle."""

import asyncio
from typing import Any, cast

import pytest

from alertd.planning.corridors.job import RouteJob
from alertd.planning.cycles import road_parts
from alertd.planning.cycles.road_parts import AskedRoads, Road

ROADS: list[Road] = [(True, "first"), (True, "second"), (True, "third")]


class Sources:
    """Answers a road once it is let go."""

    def __init__(self) -> None:
        self.asked: list[str] = []
        self.answers = {name: asyncio.Event() for _, name in ROADS}

    async def ask(self, road: Road) -> RouteJob:
        self.asked.append(road[1])
        await self.answers[road[1]].wait()
        return cast(RouteJob, road)


async def begun(roads: AskedRoads) -> list[asyncio.Task[Any]]:
    tasks = [asyncio.create_task(roads.job(road)) for road in ROADS]
    for _ in range(5):
        await asyncio.sleep(0)
    return tasks


async def test_the_first_road_is_asked_for_alone() -> None:
    """Its requests then wait for no others in the queue of a server."""
    sources = Sources()
    roads = AskedRoads(sources.ask, ROADS)
    tasks = await begun(roads)
    assert sources.asked == ["first"]
    for event in sources.answers.values():
        event.set()
    assert await asyncio.gather(*tasks) == ROADS
    assert sources.asked == ["first", "second", "third"]


@pytest.mark.parametrize("together", [False, True])
async def test_a_slow_first_road_delays_the_others_a_while(monkeypatch: pytest.MonkeyPatch, together: bool) -> None:
    """Urgent trips not at all."""
    monkeypatch.setattr(road_parts, "FIRST_ALONE_S", 60.0 if together else 0.0)
    sources = Sources()
    roads = AskedRoads(sources.ask, ROADS, together=together)
    tasks = await begun(roads)
    assert sources.asked == ["first", "second", "third"]
    sources.answers["third"].set()
    assert await tasks[2] == ROADS[2]
    await roads.aclose()
    assert [task.cancelled() for task in tasks[:2]] == [True, True]


async def test_a_first_road_that_fails_holds_nobody_up() -> None:
    async def ask(road: Road) -> RouteJob:
        if road[1] == "first":
            raise ValueError("no such road")
        return cast(RouteJob, road)

    found = await asyncio.gather(*await begun(AskedRoads(ask, ROADS)), return_exceptions=True)
    assert isinstance(found[0], ValueError)
    assert found[1:] == ROADS[1:]
