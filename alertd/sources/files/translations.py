"""Loads translation catalogues from the package.

A catalogue (.po) is compiled in memory on first use, so no compiled copy can be out of date.
"""

import gettext
import io
from functools import cache
from pathlib import Path
from typing import Final

from babel import Locale
from babel.messages.catalog import Catalog
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po

from alertd.i18n import ENGLISH, Language, Translator

FOLDER: Final = Path(__file__).resolve().parents[2] / "translations"


@cache
def load_translator(language: Language, *, metric: bool = False, by_signs: bool = False) -> Translator:
    """Return the translator of a language; English needs no catalogue. Fuzzy messages fall back to English."""
    compiled = io.BytesIO()
    if language != ENGLISH.language:
        write_mo(compiled, read_catalogue(language))
        compiled.seek(0)
        words: gettext.NullTranslations = gettext.GNUTranslations(compiled)
    else:
        words = gettext.NullTranslations()
    locale = Locale.parse(language)
    days, months = locale.days["format"]["abbreviated"], locale.months["format"]["abbreviated"]
    return Translator(
        language=language,
        translate=words.gettext,
        translate_plural=words.ngettext,
        days=tuple(days[i].rstrip(".") for i in range(7)),
        months=tuple(months[i].rstrip(".") for i in range(1, 13)),
        metric=metric,
        by_signs=by_signs,
    )


def read_catalogue(language: str) -> Catalog:
    """Read a language's catalogue. Raises an error of Babel for an invalid one."""
    with (FOLDER / f"{language}.po").open("rb") as file:
        return read_po(file, locale=language, abort_invalid=True)
