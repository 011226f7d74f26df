"""Runs a command's work on an event loop."""

import asyncio
from collections.abc import Coroutine
from typing import Any, TypeVar

T = TypeVar("T")


def run_work(work: Coroutine[Any, Any, T]) -> T:
    """What the work returns. The result of the loop's own task stays None.

    When it ends, `asyncio.run` asks for the handler of interrupts, and `signal` builds an error text on the way. That
    text holds the result of the task: a plan, of which numpy then prints all arrays.
    """
    results: list[T] = []

    async def keep() -> None:
        results.append(await work)

    asyncio.run(keep())
    return results[0]
