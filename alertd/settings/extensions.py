"""Forecast providers and delivery channels, one line each. All other packages read them here."""

import importlib
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any, Final, TypeVar

from alertd.delivery.channel_spec import ChannelSpec
from alertd.errors import AlertdError, ConfigError
from alertd.sources.provider_spec import ProviderSpec

# Under alertd.sources.providers, as module:attribute. A user names a provider in `forecast.sources`.
_PROVIDERS: Final = (
    "nws.forecast:SPEC",
    "open_meteo.forecast:SPEC",
    "open_meteo.forecast:ENSEMBLE_SPEC",
    "open_meteo.models:SPECS",
    "met_norway.forecast:SPEC",
)
# Under alertd.delivery.channels. Channels of all kinds are listed in this order.
_CHANNELS: Final = (
    "webhook:SPEC",
    "file:SPEC",
    "email:SPEC",
    "apprise:SPEC",
    "console:SPEC",
)

T = TypeVar("T", ProviderSpec[Any], ChannelSpec[Any])


def load_specs(package: str, names: Sequence[str], kind: type[T]) -> tuple[tuple[T, ...], tuple[ConfigError, ...]]:
    """The specs that can be used, and one error for each that cannot. An attribute is a spec or a tuple of specs."""
    specs: list[T] = []
    problems: list[ConfigError] = []
    for name in names:
        module, _, attribute = name.partition(":")
        where = f"{package}.{module}"
        try:
            exported = getattr(importlib.import_module(where), attribute)
            found = exported if isinstance(exported, tuple) else (exported,)
            for spec in found:
                if not isinstance(spec, kind):
                    raise TypeError(f"{attribute} is not a {kind.__name__}")
                problem = next(_undeclared(spec), "")
                if problem:
                    raise TypeError(problem)
        except AlertdError as exc:
            problems.append(ConfigError(where, attribute, str(exc), "correct the spec"))
        except (ImportError, AttributeError, TypeError, ValueError) as exc:
            hint = f"export {attribute} = {kind.__name__}(...) there, or remove the line from {__name__}"
            problems.append(ConfigError(where, attribute, f"cannot be used ({exc})", hint))
        else:
            specs += found
    return tuple(specs), tuple(problems)


def _undeclared(spec: ProviderSpec[Any] | ChannelSpec[Any]) -> Iterator[str]:
    """Secrets that the log would not hide, or that would be written in the settings file itself."""
    for key in spec.settings_model.model_fields:
        if key.endswith("_file") and key not in spec.secrets:
            yield f"the key {key} names a file and is not among its secrets"
        if key.endswith(("secret", "password", "token", "_key")):
            yield f"the key {key} would keep a secret in the settings file; name it {key}_file"
    for key in spec.secrets:
        if key not in spec.settings_model.model_fields:
            yield f"its secret {key} is no key of {spec.settings_model.__name__}"


def clashes(providers: Sequence[ProviderSpec[Any]], channels: Sequence[ChannelSpec[Any]]) -> Iterator[ConfigError]:
    """Names and keys that two specs have."""
    models = dict.fromkeys(spec.settings_model for spec in providers)
    for what, names in (
        ("provider", [spec.name for spec in providers]),
        ("key of [forecast]", [key for model in models for key in model.model_fields]),
        ("section", [spec.section for spec in channels]),
    ):
        for name, n in Counter(names).items():
            if n > 1:
                yield ConfigError(__name__, what, f'"{name}" is used {n} times', "give one of them another name")


_providers, _provider_problems = load_specs("alertd.sources.providers", _PROVIDERS, ProviderSpec)
_channels, _channel_problems = load_specs("alertd.delivery.channels", _CHANNELS, ChannelSpec)
PROVIDERS: Final[tuple[ProviderSpec[Any], ...]] = _providers
CHANNELS: Final[tuple[ChannelSpec[Any], ...]] = _channels
_PROBLEMS: Final = (*_provider_problems, *_channel_problems, *clashes(_providers, _channels))


def check_extensions() -> None:
    """Raises ConfigError for the first spec that cannot be used. Called when settings are read."""
    for problem in _PROBLEMS:
        raise problem


def provider_spec(name: str, where: str) -> ProviderSpec[Any]:
    """The provider of that name. Raises ConfigError, which names the settings as `where`."""
    for spec in PROVIDERS:
        if spec.name == name:
            return spec
    hint = "use one of " + ", ".join(spec.name for spec in PROVIDERS)
    raise ConfigError(where, "forecast.sources", f'"{name}" is no source', hint)
