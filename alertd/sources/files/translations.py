"""Loads translation catalogues from the package.

A catalogue (.po) is compiled in memory on first use, so no compiled copy can be out of date.
"""

import gettext
import io
from functools import cache
from pathlib import Path
from typing import Final

import polib

from alertd.i18n import ENGLISH, Language, Translator

FOLDER: Final = Path(__file__).resolve().parents[2] / "translations"
# Short names of the days from Monday and of the months, in the middle of a date: Unicode CLDR 47, without full stops.
_DAYS: Final[dict[Language, str]] = {"es": "lun mar mié jue vie sáb dom", "fr": "lun mar mer jeu ven sam dim"}
_MONTHS: Final[dict[Language, str]] = {
    "es": "ene feb mar abr may jun jul ago sept oct nov dic",
    "fr": "janv févr mars avr mai juin juil août sept oct nov déc",
}


@cache
def load_translator(language: Language, *, metric: bool = False, by_signs: bool = False) -> Translator:
    """Return the translator of a language; English needs no catalogue. Fuzzy messages fall back to English."""
    words: gettext.NullTranslations = gettext.NullTranslations()
    days, months = ENGLISH.days, ENGLISH.months
    if language != ENGLISH.language:
        compiled = polib.pofile(str(FOLDER / f"{language}.po"), encoding="utf-8").to_binary()
        words = gettext.GNUTranslations(io.BytesIO(compiled))
        days, months = tuple(_DAYS[language].split()), tuple(_MONTHS[language].split())
    return Translator(
        language=language,
        translate=words.gettext,
        translate_plural=words.ngettext,
        days=days,
        months=months,
        metric=metric,
        by_signs=by_signs,
    )
