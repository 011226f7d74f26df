"""What a module in `delivery.channels` exports to be a delivery channel: one `ChannelSpec`."""

import ssl
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from dataclasses import field as dataclass_field
from pathlib import Path
from typing import Any, Generic, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from alertd.delivery.channel import Channel, OutgoingNotice
from alertd.delivery.email_content import EmailContent
from alertd.errors import ConfigError


class ChannelModel(BaseModel):
    """Base of a channel's section in the settings file: no unknown keys, nothing coerced, frozen."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, defer_build=True)

    name: str = Field(min_length=1, pattern=r"^[A-Za-z0-9_-]+$", examples=["office"])
    audiences: list[Literal["driver", "dispatcher", "fleet"]] = Field(min_length=1, examples=[["driver"]])


C = TypeVar("C", bound=ChannelModel)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelTools:
    """What the daemon shares among channels. email_content: HTML and pictures of a notice, None for plain text."""

    tls: ssl.SSLContext
    email_content: Callable[[OutgoingNotice], EmailContent] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelConfig(Generic[C]):
    """One configured channel.

    secrets: contents of secret files, by the key that names the file. folder: where relative paths begin. where,
    field: the settings file and the section, e.g. "webhook[1]", for error messages.
    """

    spec: "ChannelSpec[C]"
    settings: C
    secrets: Mapping[str, str] = dataclass_field(default_factory=dict, repr=False)
    folder: Path = Path()
    fleet: str = ""
    where: str = "settings"
    field: str = ""

    @property
    def name(self) -> str:
        return self.settings.name

    def secret(self, key: str) -> str:
        """Contents of the file that `key` names; "" where the key is empty. Raises ConfigError for another key."""
        if key not in self.spec.secrets:
            hint = f'add "{key}" to the secrets of its ChannelSpec'
            raise ConfigError(f"channel [[{self.spec.section}]]", key, "is not declared as a secret", hint)
        return self.secrets.get(key, "")

    def with_keys(self, **changed: object) -> "ChannelConfig[C]":
        """The same channel with other settings."""
        return replace(self, settings=self.settings.model_copy(update=changed))


def _unchecked(_config: ChannelConfig[Any]) -> object:
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelSpec(Generic[C]):
    """One kind of channel: its section in the settings file, its settings and how it is opened.

    secrets: the keys that name secret files; the log hides their contents. open: raises ConfigError; a channel with a
    method `aclose` is closed at the end. check: raises ConfigError for what settings and secrets have wrong.
    check_keys: the same for the settings alone, so that a missing secret hides none of their mistakes.
    with_pages: whether notices are sent with HTML and pictures. here_only: it writes to this machine, so
    no worker on another one can send on it.
    """

    section: str
    settings_model: type[C]
    open: Callable[[ChannelConfig[C], ChannelTools], Channel]
    secrets: tuple[str, ...] = ()
    check: Callable[[ChannelConfig[C]], object] = _unchecked
    check_keys: Callable[[ChannelConfig[C]], object] = _unchecked
    with_pages: bool = False
    here_only: bool = False

    def configure(self, *, secrets: Mapping[str, str] | None = None, **keys: object) -> ChannelConfig[C]:
        """A channel made in code, as the demo does. Raises ValidationError."""
        return ChannelConfig(spec=self, settings=self.settings_model.model_validate(keys), secrets=secrets or {})
