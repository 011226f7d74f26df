"""A language as a value: translated messages, names of days and months, and the reader's units."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal, TypeAlias, get_args

Language: TypeAlias = Literal["en", "es", "fr"]
LANGUAGES: Final[tuple[Language, ...]] = get_args(Language)


@dataclass(frozen=True, slots=True, kw_only=True)
class Translator:
    """Translation functions of one language, passed to the text functions so that they read no catalogue themselves.

    translate: the translation of an English message, as gettext returns it.
    translate_plural: the translation of a message with a number, as ngettext returns it.
    days: short names from Monday.
    months: short names from January.
    metric: True for kilometres; speeds are then in km/h where road signs are.
    by_signs: True for speeds in the unit of road signs, whatever `metric` is.

    A message without a translation stays English, which is better than an empty text.
    """

    language: str
    translate: Callable[[str], str]
    translate_plural: Callable[[str, str, int], str]
    days: tuple[str, ...]
    months: tuple[str, ...]
    metric: bool = False
    by_signs: bool = False

    def gettext(self, message: str, /, **values: object) -> str:
        """The translation of a message, with `values` filled in."""
        return self.translate(message).format(**values)

    def ngettext(self, one: str, many: str, number: int, /) -> str:
        """The translation of a message with a number; `{n}` in it is the number."""
        return self.translate_plural(one, many, number).format(n=number)

    def day(self, local: datetime) -> str:
        """The short name of the weekday of `local`, e.g. "Thu"."""
        return self.days[local.weekday()]

    def date(self, local: datetime) -> str:
        """E.g. "Thu 14 Jan"."""
        return f"{self.day(local)} {local.day:02d} {self.months[local.month - 1]}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Translators:
    """The translators of a trip: one for its driver, one for the dispatch office."""

    driver: Translator
    office: Translator


def gettext_noop(message: str) -> str:
    """The message itself. Marks a message in a table for the catalogues; the caller translates it later."""
    return message


def _unchanged(message: str) -> str:
    return message


def _english_plural(one: str, many: str, number: int) -> str:
    return one if number == 1 else many


ENGLISH: Final = Translator(
    language="en",
    translate=_unchanged,
    translate_plural=_english_plural,
    days=("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"),
    months=("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"),
)
ALL_ENGLISH: Final = Translators(driver=ENGLISH, office=ENGLISH)
ALMOST_CERTAIN_FRAC: Final = 0.95  # [A] from here on "9 in 10" would be too little and "10 in 10" too much


def odds(frac: float, translator: Translator = ENGLISH) -> str:
    """Return a probability in words that need no arithmetic, e.g. "6 in 10"; never certain, never none."""
    if frac >= ALMOST_CERTAIN_FRAC:
        return translator.gettext("almost certain")
    tenths = round(frac * 10.0)
    return translator.gettext("{n} in 10", n=tenths) if tenths >= 1 else translator.gettext("under 1 in 10")
