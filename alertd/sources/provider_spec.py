"""What a module in `sources.providers` exports to be a forecast provider: one `ProviderSpec`."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

from pydantic import BaseModel

from alertd.errors import ConfigError
from alertd.forecast.provider import ElevationProvider, ForecastProvider
from alertd.sources.http.answer import JsonClient
from alertd.sources.http.host_limits import HostLimits

S = TypeVar("S", bound=BaseModel)


@dataclass(frozen=True, slots=True, kw_only=True)
class ProviderInputs(Generic[S]):
    """What a provider is opened with. secrets: contents of secret files, by the settings key that names the file."""

    settings: S
    secrets: Mapping[str, str]
    client: JsonClient
    noncommercial: bool


def _no_elevations(_inputs: ProviderInputs[Any]) -> ElevationProvider | None:
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class ProviderSpec(Generic[S]):
    """One forecast provider: its name in `forecast.sources`, its settings and how it is opened.

    settings_model: its keys in the section [forecast]; two providers may share one model. url_key: the key with the
    server's address. secrets: the keys that name secret files. open: raises ConfigError. open_elevations: None for no
    ground heights. contact_required: whether the server must know who asks. hosts: request limits by domain.
    """

    name: str
    settings_model: type[S]
    open: Callable[[ProviderInputs[S]], ForecastProvider]
    url_key: str
    secrets: tuple[str, ...] = ()
    open_elevations: Callable[[ProviderInputs[S]], ElevationProvider | None] = _no_elevations
    contact_required: bool = True
    hosts: Mapping[str, HostLimits] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.url_key not in self.settings_model.model_fields:
            raise ConfigError(
                f"provider {self.name}",
                "url_key",
                f'"{self.url_key}" is no key of {self.settings_model.__name__}',
                "name the key of its server's address",
            )
