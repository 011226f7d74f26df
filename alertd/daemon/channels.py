"""Opens the delivery channels of the settings."""

import ssl
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AsyncExitStack, asynccontextmanager

from alertd.delivery.channel import Channel, ClosableChannel, OutgoingNotice
from alertd.delivery.channel_spec import ChannelTools
from alertd.delivery.email_content import EmailContent
from alertd.settings.model import Settings


@asynccontextmanager
async def open_channels(
    settings: Settings, email_content: Callable[[OutgoingNotice], EmailContent] | None = None
) -> AsyncIterator[Mapping[str, Channel]]:
    """Open every channel of the settings, by name. `email_content`: HTML and images of an email."""
    # Once: loading takes 50 ms.
    tools = ChannelTools(tls=ssl.create_default_context(), email_content=email_content)
    async with AsyncExitStack() as stack:
        out: dict[str, Channel] = {}
        for config in settings.channels:
            out[config.name] = opened = config.spec.open(config, tools)
            if isinstance(opened, ClosableChannel):
                stack.push_async_callback(opened.aclose)
        yield out
