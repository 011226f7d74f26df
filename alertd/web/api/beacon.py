"""Route of the beacon that a watch on another machine reads."""

import asyncio

from fastapi import APIRouter, Response

from alertd.settings.model import Settings
from alertd.web.problems import ProblemError


def beacon_router(settings: Settings) -> APIRouter:
    router = APIRouter(prefix="/v1")

    @router.get("/beacon")
    async def get_beacon() -> Response:
        """The signed beacon of the last good cycle, for `alertd watch`; 404 when [watch] names no file."""
        file = settings.watch.file
        try:
            content = await asyncio.to_thread(file.read_bytes) if file else None
        except OSError:
            content = None
        if content is None:
            raise ProblemError(404, "no beacon", "[watch] names no file, or no cycle has ended yet")
        return Response(content, media_type="application/json", headers={"Cache-Control": "no-store"})

    return router
