"""Sections of delivery channels in the settings file, as `settings.extensions` lists them."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel, Field

from alertd.delivery.channel_spec import ChannelConfig, ChannelSpec
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
    """The channels of all sections with their secrets.

    Raises ConfigError for the first wrong address, wrong secret or name used twice; the rest is in its `others`.
    """
    out, mistakes = [], list[ConfigError]()
    for spec in CHANNELS:
        for i, settings in enumerate(getattr(content, spec.section), start=1):
            field = f"{spec.section}[{i}]"
            secrets, missing = _secrets(spec, settings, field, read_secret)
            channel = ChannelConfig(
                spec=spec,
                settings=settings,
                secrets=secrets,
                folder=where.parent,
                fleet=fleet,
                where=str(where),
                field=field,
            )
            mistakes += missing
            for check in (spec.check_keys,) if missing else (spec.check_keys, spec.check):
                try:
                    check(channel)
                except ConfigError as exc:
                    mistakes.append(exc)
            out.append(channel)
    names = [channel.name for channel in out]
    for name in dict.fromkeys(name for name in names if names.count(name) > 1):
        hint = "give each channel a name of its own"
        mistakes.append(ConfigError(str(where), "name", f'"{name}" names two channels', hint))
    if mistakes:
        first, *others = mistakes
        first.others = tuple(others)
        raise first
    return tuple(out)


def _secrets(
    spec: ChannelSpec[Any], settings: Any, field: str, read_secret: ReadSecret
) -> tuple[dict[str, str], list[ConfigError]]:
    """Contents of the secret files that can be read, by key, and what is wrong with the others."""
    found, missing = {}, []
    for key in spec.secrets:
        try:
            found[key] = read_secret(f"{field}.{key}", getattr(settings, key))
        except ConfigError as exc:
            missing.append(exc)
    return found, missing


def channels_by_audience(channels: Sequence[ChannelConfig[Any]]) -> dict[Audience, tuple[str, ...]]:
    return {
        audience: tuple(c.name for c in channels if audience.value in c.settings.audiences) for audience in Audience
    }
