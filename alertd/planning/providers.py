"""The sources that the settings name, open, and whether whom they ask may know who asks."""

from collections.abc import Sequence
from functools import partial
from urllib.parse import urlsplit

from alertd.errors import ConfigError
from alertd.forecast.provider import ElevationProvider, ForecastProvider
from alertd.planning.stations import StationObserver
from alertd.planning.warnings import ActiveAlerts, AlertServices
from alertd.planning.weather import WeatherSources
from alertd.settings.model import ForecastSettings, Settings
from alertd.sources.http.answer import JsonClient
from alertd.sources.http.client import is_loopback
from alertd.sources.providers.eccc.alerts import GeometAlerts
from alertd.sources.providers.met_norway.forecast import MetNorway
from alertd.sources.providers.metar.reports import Metars
from alertd.sources.providers.nws.alerts import NwsAlerts
from alertd.sources.providers.nws.forecast import Nws
from alertd.sources.providers.nws.stations import NwsStations
from alertd.sources.providers.open_meteo.forecast import OpenMeteo
from alertd.sources.road_feeds.config import Feed


def open_weather_sources(
    forecast: ForecastSettings, noncommercial: bool, where: str, client: JsonClient
) -> tuple[WeatherSources, list[ElevationProvider]]:
    """The sources of the settings, those of heights apart. Raises ConfigError, which names the settings as `where`."""
    providers: list[ForecastProvider] = []
    elevations: list[ElevationProvider] = []
    open_meteo = partial(OpenMeteo, client, api_key=forecast.open_meteo_key, noncommercial=noncommercial)
    heights_at = forecast.open_meteo_elevation_url or None
    for name in forecast.sources:
        if name == "nws":
            providers.append(Nws(client, forecast.nws_url))
        elif name == "met-norway":
            providers.append(MetNorway(client, forecast.met_norway_url))
        elif name == "open-meteo":
            source = open_meteo(forecast.open_meteo_url, elevation_url=heights_at)
            providers.append(source)
            elevations.append(source)
        elif name == "open-meteo-ensemble":
            model = forecast.open_meteo_ensemble_model or None
            source = open_meteo(forecast.open_meteo_ensemble_url, ensemble=True, model=model, elevation_url=heights_at)
            providers.append(source)
            if heights_at:  # a server of ensembles need not have heights
                elevations.append(source)
        else:
            raise ConfigError(where, "forecast.sources", f'"{name}" is no source', "use nws")
    weather_sources = WeatherSources(
        providers=providers,
        members=forecast.members,
        seed=forecast.seed,
        stale_h=forecast.stale_h,
        road=forecast.road,
        alerts=_alerts(forecast, client) if forecast.alerts else None,
        observer=_observer(forecast, client),
        weights={
            provider.name: forecast.weights.get(name, 1.0)
            for name, provider in zip(forecast.sources, providers, strict=True)
        },
    )
    return weather_sources, elevations


def _observer(forecast: ForecastSettings, client: JsonClient) -> StationObserver | None:
    if not forecast.observations:
        return None
    return StationObserver(
        NwsStations(client, forecast.nws_url) if "nws" in forecast.sources else None,
        Metars(client, forecast.metar_url) if forecast.metar_url else None,
    )


def _alerts(forecast: ForecastSettings, client: JsonClient) -> AlertServices:
    us = ActiveAlerts(NwsAlerts(client, forecast.nws_url, forecast.alerts_area)) if "nws" in forecast.sources else None
    return AlertServices(us=us, canada=GeometAlerts(client, forecast.geomet_url, forecast.geomet_collection))


def check_contact(settings: Settings) -> None:
    """Weather services must be told who asks; a stand-in on this machine need not be."""
    urls = {
        "nws": settings.forecast.nws_url,
        "open-meteo": settings.forecast.open_meteo_url,
        "open-meteo-ensemble": settings.forecast.open_meteo_ensemble_url,
        "met-norway": settings.forecast.met_norway_url,
    }
    asked = [urls[name] for name in settings.forecast.sources]
    if settings.forecast.metar_url and settings.forecast.observations:
        asked.append(settings.forecast.metar_url)
    if not settings.contact and any(urlsplit(url).hostname != "127.0.0.1" for url in asked):
        raise ConfigError(
            str(settings.where),
            "operator.contact",
            "is empty, and weather services want to know who asks",
            "write an e-mail address or web page where you can be reached",
        )


def check_feed_contact(settings: Settings, feeds: Sequence[Feed]) -> None:
    """Who runs a road feed wants to know too who asks."""
    abroad = [f.name for f in feeds if not is_loopback(urlsplit(f.url).hostname or "")]
    if abroad and not settings.contact:
        raise ConfigError(
            str(settings.where),
            "operator.contact",
            f"is empty, and feed {abroad[0]} of posted conditions is asked",
            "write an e-mail address or web page where you can be reached",
        )
