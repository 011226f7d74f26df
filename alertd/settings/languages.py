"""Which languages and units a fleet's people read, and the words for them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from alertd.i18n import LANGUAGES, Language, Translators
from alertd.route.lands import home_in_miles, home_language
from alertd.sources.files.translations import load_translator

Units: TypeAlias = Literal["land", "us", "metric"]
DriverLanguage: TypeAlias = Literal["land", "en", "es", "fr"]  # "land", and each of i18n.LANGUAGES


@dataclass(frozen=True, slots=True, kw_only=True)
class Languages:
    """driver: of the driver's texts where a trip names no language of its own. office: of what an office is told about
    them, whose other texts are English. units: kilometres, and km/h where road signs are. "land": of the land where a
    trip starts.
    """

    driver: DriverLanguage = "land"
    office: Language = "en"
    units: Units = "land"

    def translators_for(self, language: str, lands: Sequence[str] = ()) -> Translators:
        """For a plan's `language` and its lands on the way. A language without texts becomes that of the fleet."""
        by_signs = self.units == "land"
        metric = not home_in_miles(lands) if by_signs else self.units == "metric"
        own = home_language(lands) if self.driver == "land" else self.driver
        spoken = next((known for known in LANGUAGES if known == language), own)
        return Translators(
            driver=load_translator(spoken, metric=metric, by_signs=by_signs),
            office=load_translator(self.office, metric=metric, by_signs=by_signs),
        )
