"""Single models of Open-Meteo by name, each a source of its own, with its run time and area.

Names of models: the source's OpenAPI text of August 2026. Areas lie within the grids and are our reading of the
models' domains, rounded inward; from memory. Single models have one member, which is dressed with our spreads.
Licences of the data: NOAA, public domain; ECCC Data Servers End-use Licence 2.1; DWD, GeoNutzV; MeteoSwiss, CC BY 4.0;
Meteo-France, Licence Ouverte 2.0; GeoSphere Austria, CC BY 4.0; MET Norway, CC BY 4.0. Open-Meteo's own terms apply
as well.
"""

from dataclasses import dataclass
from functools import partial
from typing import Final

from alertd.sources.provider_spec import ProviderInputs, ProviderSpec
from alertd.sources.providers.open_meteo.area import Area
from alertd.sources.providers.open_meteo.forecast import KEY_FILE, LICENCE, OpenMeteo, OpenMeteoKeys


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedModel:
    """A model. name: of the source in `forecast.sources`; model: as the server names it; owner: to credit."""

    name: str
    model: str
    owner: str
    area: Area | None

    @property
    def licence(self) -> str:
        """The credit of the model's owner, with that of the server."""
        return f"{self.owner}; {LICENCE}"


_CONUS: Final = Area(24.0, -122.0, 48.0, -73.0)  # the grid is conical: its corners are cut
_CANADA: Final = Area(42.0, -135.0, 60.0, -56.0)

NAMED_MODELS: Final = (
    NamedModel(name="hrrr", model="ncep_hrrr_conus", owner="NOAA, public domain", area=_CONUS),
    NamedModel(name="nbm", model="ncep_nbm_conus", owner="NOAA, public domain", area=_CONUS),
    NamedModel(
        name="hrdps", model="cmc_gem_hrdps", area=_CANADA,
        owner="Environment and Climate Change Canada, End-use Licence 2.1",
    ),
    NamedModel(
        name="icon-d2", model="icon_d2", owner="Deutscher Wetterdienst, GeoNutzV",
        area=Area(44.0, -2.0, 57.0, 19.0),
    ),
    NamedModel(
        name="icon-ch1", model="meteoswiss_icon_ch1", owner="MeteoSwiss, CC BY 4.0",
        area=Area(43.2, 1.5, 49.2, 16.0),
    ),
    NamedModel(
        name="arome-france", model="meteofrance_arome_france", owner="Meteo-France, Licence Ouverte 2.0",
        area=Area(38.0, -8.0, 53.0, 12.0),
    ),
    NamedModel(
        name="arome-austria", model="geosphere_arome_austria", owner="GeoSphere Austria, CC BY 4.0",
        area=Area(43.0, 5.5, 51.0, 20.5),
    ),
    NamedModel(
        name="metno-nordic", model="metno_nordic", owner="MET Norway, CC BY 4.0",
        area=Area(55.0, 2.0, 71.0, 28.0),
    ),
    NamedModel(name="ifs", model="ecmwf_ifs025", owner="ECMWF, CC BY 4.0", area=None),
)  # fmt: skip


def open_named(named: NamedModel, inputs: ProviderInputs[OpenMeteoKeys]) -> OpenMeteo:
    """Raises ConfigError for a host the licence does not allow."""
    return OpenMeteo(
        inputs.client,
        inputs.settings.open_meteo_url,
        api_key=inputs.secrets.get(KEY_FILE),
        noncommercial=inputs.noncommercial,
        model=named.model,
        elevation_url=inputs.settings.open_meteo_elevation_url or None,
        area=named.area,
        name=named.name,
        licence=named.licence,
    )


SPECS: Final = tuple(
    ProviderSpec(
        name=named.name,
        settings_model=OpenMeteoKeys,
        url_key="open_meteo_url",
        secrets=(KEY_FILE,),
        open=partial(open_named, named),
    )
    for named in NAMED_MODELS
)
