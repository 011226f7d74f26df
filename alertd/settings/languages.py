"""Which languages and units a fleet's people read, and the words for them."""

from dataclasses import dataclass

from alertd.i18n import LANGUAGES, Language, Translators
from alertd.sources.files.translations import load_translator


@dataclass(frozen=True, slots=True, kw_only=True)
class Languages:
    """driver: of the driver's texts where a trip names no language of its own. office: of what an office is told about
    them, whose other texts are English. metric: kilometres, and km/h outside the US.
    """

    driver: Language = "en"
    office: Language = "en"
    metric: bool = False

    def translators_for(self, language: str) -> Translators:
        """For a plan's `language`. One that this alertd does not speak is said in the fleet's own."""
        spoken = next((known for known in LANGUAGES if known == language), self.driver)
        return Translators(
            driver=load_translator(spoken, metric=self.metric), office=load_translator(self.office, metric=self.metric)
        )
