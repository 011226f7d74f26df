"""The section [forecast]: what concerns all sources, and the keys of each forecast provider."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from operator import getitem
from typing import Annotated, Any, Final, Literal, TypeVar

from pydantic import BaseModel, Field, create_model, field_validator

from alertd.errors import ConfigError
from alertd.settings.extensions import PROVIDERS
from alertd.settings.secrets import ReadSecret
from alertd.sources.files.road import RoadSettings
from alertd.sources.files.toml import FieldError, FileModel

S = TypeVar("S", bound=BaseModel)
Weight = Annotated[float, Field(gt=0.0, le=100.0)]


class CommonForecastFile(FileModel):
    sources: list[str] = Field(min_length=1, examples=[["nws"]])
    weights: dict[str, Weight] = Field(default_factory=dict, examples=[{"nws": 1.0}])
    members: int = Field(31, ge=5, le=200)
    seed: int = Field(1, ge=0)
    stale_h: float = Field(6.0, gt=0, le=48)
    alerts: bool = True
    observations: bool = False
    past_observations: bool = True
    metar_url: str = "https://aviationweather.gov"
    station_correction: bool | None = None  # no longer used; `read_settings` warns
    alerts_area: list[Annotated[str, Field(pattern=r"^[A-Z]{2}$", examples=["WA"])]] = Field(default_factory=list)
    geomet_url: str = "https://api.weather.gc.ca"
    geomet_collection: str = Field("weather-alerts", pattern=r"^[A-Za-z0-9_.-]+$")
    road: str = Field("", examples=["road.toml"])

    @field_validator("sources")
    @classmethod
    def _each_once(cls, names: list[str]) -> list[str]:
        for n, name in enumerate(names):
            if name in names[:n]:
                hint = "name each source once; [forecast.weights] gives one more weight"
                raise FieldError(n, f'"{name}" is named twice', hint)
        return names

    def checked_weights(self, where: str) -> dict[str, float]:
        """Raises ConfigError for the weight of a source that is not used."""
        for name in self.weights:
            if name not in self.sources:
                problem, hint = f'"{name}" is not among the sources', "add it there, or drop its weight"
                raise ConfigError(where, "forecast.weights", problem, hint)
        return dict(self.weights)


_MODELS: Final = tuple(dict.fromkeys(spec.settings_model for spec in PROVIDERS))
_NAMES: Final[Any] = getitem(Literal, tuple(spec.name for spec in PROVIDERS))
PROVIDER_KEYS: Final = tuple(key for model in _MODELS for key in model.model_fields)
SECRET_KEYS: Final = tuple(dict.fromkeys(key for spec in PROVIDERS for key in spec.secrets))

ForecastFile: type[CommonForecastFile] = create_model(
    "ForecastFile",
    __base__=(CommonForecastFile, *_MODELS),
    sources=(list[_NAMES], Field(min_length=1, examples=[["nws"]])),
    weights=(dict[_NAMES, Weight], Field(default_factory=dict, examples=[{"nws": 1.0}])),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastSettings:
    """keys: of forecast providers, by their names in [forecast]; a key that is absent has its default. secrets:
    contents of the files that keys of providers name."""

    sources: tuple[str, ...]
    members: int
    seed: int
    stale_h: float
    alerts: bool
    observations: bool
    metar_url: str
    road: RoadSettings
    past_observations: bool = True
    weights: Mapping[str, float] = field(default_factory=dict)
    alerts_area: tuple[str, ...] = ()
    geomet_url: str = "https://api.weather.gc.ca"
    geomet_collection: str = "weather-alerts"
    keys: Mapping[str, Any] = field(default_factory=dict)
    secrets: Mapping[str, str] = field(default_factory=dict, repr=False)

    def of(self, model: type[S]) -> S:
        """The settings of a provider."""
        return model.model_validate({key: value for key, value in self.keys.items() if key in model.model_fields})

    def with_keys(self, **changed: object) -> "ForecastSettings":
        """The same settings with other keys of providers."""
        return replace(self, keys={**self.keys, **changed})


def forecast_settings(
    content: CommonForecastFile, where: str, road: RoadSettings, read_secret: ReadSecret
) -> ForecastSettings:
    """Raises ConfigError for a secret file that cannot be read."""
    keys = content.model_dump(include=set(PROVIDER_KEYS))
    secrets = {key: read_secret(f"forecast.{key}", keys[key]) for key in SECRET_KEYS}
    return ForecastSettings(
        sources=tuple(content.sources),
        members=content.members,
        seed=content.seed,
        stale_h=content.stale_h,
        alerts=content.alerts,
        observations=content.observations,
        past_observations=content.past_observations,
        metar_url=content.metar_url,
        road=road,
        weights=content.checked_weights(where),
        alerts_area=tuple(content.alerts_area),
        geomet_url=content.geomet_url,
        geomet_collection=content.geomet_collection,
        keys=keys,
        secrets={key: secret for key, secret in secrets.items() if secret},
    )
