"""A language as a value: its words for our English ones, its names of days and months, and the reader's units."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal, TypeAlias, get_args

Language: TypeAlias = Literal["en", "es", "fr"]
LANGUAGES: Final[tuple[Language, ...]] = get_args(Language)


@dataclass(frozen=True, slots=True, kw_only=True)
class Translator:
    """What the text functions are handed, so that they read no catalogue themselves.

    one, translate_plural: the words for an English message, and for one that counts, as gettext and ngettext give
    them. A message
    without a translation comes back in English: a sentence in the wrong language is better than none. days from
    Monday, months from January, both short. metric: kilometres; speeds are then told in km/h outside the US.
    """

    language: str
    translate: Callable[[str], str]
    translate_plural: Callable[[str, str, int], str]
    days: tuple[str, ...]
    months: tuple[str, ...]
    metric: bool = False

    def gettext(self, message: str, /, **values: object) -> str:
        return self.translate(message).format(**values)

    def ngettext(self, one: str, many: str, number: int, /) -> str:
        """A message that counts; `{n}` in it is the number."""
        return self.translate_plural(one, many, number).format(n=number)

    def day(self, local: datetime) -> str:
        """The short name of its weekday, e.g. "Thu"."""
        return self.days[local.weekday()]

    def date(self, local: datetime) -> str:
        """E.g. "Thu 14 Jan"."""
        return f"{self.day(local)} {local.day:02d} {self.months[local.month - 1]}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Translators:
    """Whom a trip's words are for: its driver, and the office that passes them on."""

    driver: Translator
    office: Translator


def gettext_noop(message: str) -> str:
    """The message itself. Marks words that stand in a table for the catalogues; they are said later."""
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
