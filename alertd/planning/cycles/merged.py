"""Several sources of values at once."""

import asyncio
from collections.abc import AsyncGenerator, Sequence
from contextlib import aclosing
from typing import TypeVar

Value = TypeVar("Value")


async def merged(sources: Sequence[AsyncGenerator[Value, None]], waiting_n: int) -> AsyncGenerator[Value, None]:
    """The values of all sources as they come. Raises the first exception of any source.

    waiting_n: values that wait for the reader; then the sources wait too.
    """
    values: asyncio.Queue[tuple[Value] | Exception | None] = asyncio.Queue(waiting_n)

    async def run(source: AsyncGenerator[Value, None]) -> None:
        try:
            async with aclosing(source):
                async for value in source:
                    await values.put((value,))
        except Exception as exc:
            await values.put(exc)
        else:
            await values.put(None)

    tasks = [asyncio.create_task(run(source)) for source in sources]
    try:
        left_n = len(tasks)
        while left_n:
            found = await values.get()
            if isinstance(found, Exception):
                raise found
            if found is None:
                left_n -= 1
            else:
                yield found[0]
    finally:
        for task in tasks:
            task.cancel()
        if tasks:
            await asyncio.wait(tasks)
