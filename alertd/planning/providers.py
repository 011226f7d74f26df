"""Opens the weather sources of the settings, and checks that a contact is set where one is required."""

from collections.abc import Sequence
from pathlib import Path
from urllib.parse import urlsplit

from alertd.errors import ConfigError
from alertd.forecast.provider import ElevationProvider, ForecastProvider
from alertd.planning.past import PastObserver
from alertd.planning.stations import StationObserver
from alertd.planning.warnings import ActiveAlerts, AlertServices
from alertd.planning.weather import WeatherSources
from alertd.settings.extensions import PROVIDERS, provider_spec
from alertd.settings.forecast import ForecastSettings
from alertd.settings.model import Settings
from alertd.sources.http.answer import JsonClient
from alertd.sources.http.client import is_loopback
from alertd.sources.http.host_limits import HostLimits
from alertd.sources.kept_forecasts import KeptForecasts
from alertd.sources.provider_spec import ProviderInputs
from alertd.sources.providers.eccc.alerts import GeometAlerts
from alertd.sources.providers.metar.reports import Metars
from alertd.sources.providers.nws.alerts import NwsAlerts
from alertd.sources.providers.nws.forecast import SPEC as NWS
from alertd.sources.providers.nws.forecast import NwsKeys
from alertd.sources.providers.nws.stations import NwsStations
from alertd.sources.road_feeds.config import Feed
from alertd.sources.road_stations.fetch import RoadStationService


def open_weather_sources(
    forecast: ForecastSettings, noncommercial: bool, where: str, client: JsonClient, kept_dir: Path | None = None
) -> tuple[WeatherSources, list[ElevationProvider]]:
    """The weather sources of the settings, and the sources of ground heights. Raises ConfigError with `where`.

    kept_dir: folder for the forecasts that later runs need as their past; None keeps them in memory.
    """
    providers: list[ForecastProvider] = []
    elevations: list[ElevationProvider] = []
    for name in forecast.sources:
        spec = provider_spec(name, where)
        inputs = ProviderInputs(
            settings=forecast.of(spec.settings_model),
            secrets={key: secret for key, secret in forecast.secrets.items() if key in spec.secrets},
            client=client,
            noncommercial=noncommercial,
        )
        providers.append(spec.open(inputs))
        elevation = spec.open_elevations(inputs)
        if elevation is not None:
            elevations.append(elevation)
    weather_sources = WeatherSources(
        providers=providers,
        members=forecast.members,
        seed=forecast.seed,
        stale_h=forecast.stale_h,
        road=forecast.road,
        alerts=_alerts(forecast, client) if forecast.alerts else None,
        observer=_observer(forecast, client),
        past=_past(forecast, client, kept_dir),
        weights={
            provider.name: forecast.weights.get(name, 1.0)
            for name, provider in zip(forecast.sources, providers, strict=True)
        },
    )
    return weather_sources, elevations


def provider_hosts() -> dict[str, HostLimits]:
    """Request limits that the providers declare, by domain."""
    return {domain: limits for spec in PROVIDERS for domain, limits in spec.hosts.items()}


def _observer(forecast: ForecastSettings, client: JsonClient) -> StationObserver | None:
    if not forecast.observations:
        return None
    return StationObserver(
        NwsStations(client, forecast.of(NwsKeys).nws_url) if NWS.name in forecast.sources else None,
        Metars(client, forecast.metar_url) if forecast.metar_url else None,
    )


def _past(forecast: ForecastSettings, client: JsonClient, kept_dir: Path | None) -> PastObserver | None:
    if not forecast.past_observations:
        return None
    return PastObserver(
        NwsStations(client, forecast.of(NwsKeys).nws_url) if NWS.name in forecast.sources else None,
        Metars(client, forecast.metar_url) if forecast.metar_url else None,
        KeptForecasts(kept_dir),
    )


def _alerts(forecast: ForecastSettings, client: JsonClient) -> AlertServices:
    nws_url = forecast.of(NwsKeys).nws_url
    us = ActiveAlerts(NwsAlerts(client, nws_url, forecast.alerts_area)) if NWS.name in forecast.sources else None
    return AlertServices(us=us, canada=GeometAlerts(client, forecast.geomet_url, forecast.geomet_collection))


def check_contact(settings: Settings) -> None:
    """Raises ConfigError where a weather service wants to know who asks and no contact is set. Loopback may not ask."""
    forecast = settings.forecast
    specs = [provider_spec(name, str(settings.where)) for name in forecast.sources]
    asked = [getattr(forecast.of(spec.settings_model), spec.url_key) for spec in specs if spec.contact_required]
    if forecast.metar_url and forecast.observations:
        asked.append(forecast.metar_url)
    if not settings.contact and any(urlsplit(url).hostname != "127.0.0.1" for url in asked):
        raise ConfigError(
            str(settings.where),
            "operator.contact",
            "is empty, and weather services want to know who asks",
            "write an e-mail address or web page where you can be reached",
        )


def check_feed_contact(settings: Settings, feeds: Sequence[Feed | RoadStationService]) -> None:
    """Raises ConfigError where a road feed or a service of road stations is asked and no contact is set."""
    abroad = [f.name for f in feeds if not is_loopback(urlsplit(f.url).hostname or "")]
    if abroad and not settings.contact:
        raise ConfigError(
            str(settings.where),
            "operator.contact",
            f"is empty, and feed {abroad[0]} of posted conditions is asked",
            "write an e-mail address or web page where you can be reached",
        )
