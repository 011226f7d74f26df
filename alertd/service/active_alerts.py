"""One reading of the list of active alerts, shared by every route that is looked at at the same moment."""

import asyncio
from datetime import datetime

from alertd.errors import SourceError
from alertd.plan.warnings import AlertList
from alertd.service.inputs import hear, listening
from alertd.sources.answer import Answer, Heard
from alertd.sources.nws_alerts import NwsAlerts


class ActiveAlerts:
    """Asks once for each moment, and lets every route's plans hear, and keep, what was answered."""

    def __init__(self, source: NwsAlerts) -> None:
        self.source = source
        self._one_at_a_time = asyncio.Lock()
        self._at: datetime | None = None
        self._told: Answer[AlertList] | SourceError | None = None
        self._heard: tuple[Heard, ...] = ()

    async def read(self, now_utc: datetime) -> Answer[AlertList] | SourceError:
        """What the service lists, or why it is not known."""
        async with self._one_at_a_time:
            if self._told is None or self._at != now_utc:
                with listening() as heard:
                    try:
                        told: Answer[AlertList] | SourceError = await self.source.active()
                    except SourceError as exc:
                        told = exc
                self._at, self._told, self._heard = now_utc, told, tuple(heard)
        for one in self._heard:
            hear(one)
        return self._told
