"""Sections of delivery channels in the settings file, as `settings.extensions` lists them."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel, Field

from alertd.delivery.channel_spec import ChannelConfig
from alertd.errors import ConfigError
from alertd.notices.model import Audience
from alertd.settings.extensions import CHANNELS
from alertd.settings.secrets import ReadSecret

SECTIONS: Final[dict[str, Any]] = {
    spec.section: (list[spec.settings_model], Field(default_factory=list))  # type: ignore[name-defined]
    for spec in CHANNELS
}


def read_channels(
    content: BaseModel, where: Path, fleet: str, read_secret: ReadSecret
) -> tuple[ChannelConfig[Any], ...]:
    """The channels of all sections with their secrets. Raises ConfigError for a bad secret, or a name used twice."""
    out = tuple(
        ChannelConfig(
            spec=spec,
            settings=settings,
            secrets={key: read_secret(f"{spec.section}[{i}].{key}", getattr(settings, key)) for key in spec.secrets},
            folder=where.parent,
            fleet=fleet,
            where=str(where),
            field=f"{spec.section}[{i}]",
        )
        for spec in CHANNELS
        for i, settings in enumerate(getattr(content, spec.section), start=1)
    )
    names = [channel.name for channel in out]
    for name in names:
        if names.count(name) > 1:
            raise ConfigError(str(where), "name", f'"{name}" names two channels', "give each channel a name of its own")
    for channel in out:
        channel.spec.check(channel)
    return out


def channels_by_audience(channels: Sequence[ChannelConfig[Any]]) -> dict[Audience, tuple[str, ...]]:
    return {
        audience: tuple(c.name for c in channels if audience.value in c.settings.audiences) for audience in Audience
    }
