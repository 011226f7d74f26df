"""Facts about lands that a trip needs: the side of traffic, the unit of road signs, and the language of drivers.

All are common knowledge, from memory. Codes are ISO 3166; a state or province has those of its country.
"""

from collections.abc import Sequence
from typing import Final

from alertd.i18n import Language
from alertd.route.geometry.polygons import Span, joined
from alertd.route.model import JurisdictionSpan

_LEFT: Final = frozenset(
    ("AU", "BD", "BN", "BS", "BT", "BW", "CY", "FJ", "GB", "GG", "GY", "HK", "ID", "IE", "IM", "IN", "JE", "JM", "JP",
     "KE", "LK", "LS", "MO", "MT", "MU", "MV", "MW", "MY", "MZ", "NA", "NP", "NZ", "PG", "PK", "SB", "SC", "SG", "SR",
     "SZ", "TH", "TL", "TO", "TT", "TZ", "UG", "VI", "WS", "ZA", "ZM", "ZW")
)  # fmt: skip
_MILES: Final = frozenset(("US", "GB", "GG", "IM", "JE", "VI"))
_LANGUAGES: Final[dict[str, Language]] = {
    **dict.fromkeys(("AR", "BO", "CL", "CO", "CR", "EC", "ES", "GT", "HN", "MX", "NI", "PA", "PE", "PY", "UY"), "es"),
    **dict.fromkeys(("FR", "MC", "CA-QC"), "fr"),
}


def drives_left(code: str) -> bool:
    """True where traffic keeps to the left."""
    return code.split("-")[0] in _LEFT


def signs_in_miles(code: str) -> bool:
    """True where road signs are in miles and miles an hour."""
    return code.split("-")[0] in _MILES


def left_spans(spans: Sequence[JurisdictionSpan]) -> tuple[Span, ...]:
    """The runs (start_m, end_m) of a route where traffic keeps to the left."""
    return tuple(joined([(s.start_m, s.end_m) for s in spans if drives_left(s.code)]))


def home_in_miles(codes: Sequence[str]) -> bool:
    """True for a trip that starts where signs are in miles; also where its land is not known."""
    return not codes or signs_in_miles(codes[0])


def home_language(codes: Sequence[str]) -> Language:
    """The language of the land where a trip starts, as far as there are texts in it, else English."""
    if not codes:
        return "en"
    return _LANGUAGES.get(codes[0], _LANGUAGES.get(codes[0].split("-")[0], "en"))
