"""The transport of a run that asks no server."""

import httpx


class OfflineError(httpx.ConnectError):
    """No call is made on purpose: this run asks no server."""


class NoNetwork(httpx.AsyncBaseTransport):
    """Fails each call at once with OfflineError."""

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        raise OfflineError("offline", request=request)
