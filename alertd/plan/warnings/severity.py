"""Ranks weather events for a truck on a pass: which to show, which to wait out, and in which order.

US events are ranked by their code of phenomenon and significance (W warning, A watch, Y advisory; NWS Instruction
10-1703), because names change and codes do not. A code in none of the lists here is kept, last in rank, because a new
kind of event must not be dropped.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

_WINTER_CODES: Final = "BZ WS IS LE LB SQ ZR WW ZF HS SN SB BS HP IP"
WINTER: Final = frozenset(_WINTER_CODES.split())
# Of other kinds only these: wind for high-sided vehicles, sight, cold that stops engines and hands, water on the road.
_ROAD: Final = {
    "HW": "WA", "EW": "W", "WI": "Y", "DS": "WY", "DU": "WY", "FG": "Y", "SM": "Y", "EC": "W", "CW": "Y", "WC": "W",
    "FF": "W", "FA": "W", "FL": "W", "AV": "WAY",
}  # fmt: skip
# Known, and irrelevant to a truck on a winter pass: sea, beach, heat, frost in fields, fire, air, summer storms.
_ELSEWHERE_CODES: Final = (
    "AF AQ AS BH BW CF EH FR FW FZ GL HF HI HT HU HY HZ LO LS LW MA MF MH MS RB RH RP SC SE SI SR SS SU SV SW TI TO "
    "TR TS TY UP VO XH ZY"
)
_ELSEWHERE: Final = frozenset(_ELSEWHERE_CODES.split())
_IGNORED_EVENTS: Final = frozenset(
    (
        "Administrative Message", "Air Quality Alert", "Air Stagnation Advisory", "Beach Hazards Statement",
        "Blue Alert", "Child Abduction Emergency", "Coastal Flood Statement", "Fire Warning",
        "Hazardous Weather Outlook", "Hydrologic Outlook", "Lakeshore Flood Statement", "Law Enforcement Warning",
        "Marine Weather Statement", "Rip Current Statement", "Short Term Forecast", "Tropical Cyclone Local Statement",
        "Tsunami Advisory", "Tsunami Warning", "Tsunami Watch",
    )
)  # fmt: skip
_NAMES: Final = {
    "Blizzard": "BZ", "Winter Storm": "WS", "Ice Storm": "IS", "Lake Effect Snow": "LE", "Snow Squall": "SQ",
    "Freezing Rain": "ZR", "Winter Weather": "WW", "Freezing Fog": "ZF", "Heavy Snow": "HS", "High Wind": "HW",
    "Extreme Wind": "EW", "Wind": "WI", "Dust Storm": "DS", "Blowing Dust": "DU", "Dense Fog": "FG",
    "Dense Smoke": "SM", "Extreme Cold": "EC", "Cold Weather": "CW", "Wind Chill": "WC",
    "Flash Flood": "FF", "Flood": "FA",
    "Avalanche": "AV",
}  # fmt: skip
_LEVELS: Final = {"Warning": "W", "Watch": "A", "Advisory": "Y", "Statement": "S"}

# [A] Waited out: snow and wind without visibility (a blizzard's criterion is under 1/4 mile for three hours). Also a
# squall: its flash freeze is over within the hour, so waiting costs little. All others are cautions, because the road
# model gives the ice or snow on this road at this hour. The zone of an ice storm or winter storm also contains valleys
# that stay open while the pass does not.
_HOLDS: Final = frozenset(("BZ.W", "SQ.W"))
LAST: Final = 5
# [A] Words in names, for a service whose codes are not on file here. A name with none of them is kept, last in rank.
_WINTER_WORDS: Final = ("snow", "winter", "blizzard", "freezing", "ice", "flash freeze", "avalanche")
_ROAD_WORDS: Final = ("wind", "fog", "extreme cold", "dust")
_ELSEWHERE_WORDS: Final = ("heat", "frost", "air quality", "tornado", "thunderstorm", "surge", "marine", "hurricane")


@dataclass(frozen=True, slots=True, kw_only=True)
class Severity:
    """Severity of an event.

    holds: True when trucks wait it out.
    rank: 0 waited out, 1 and 2 warnings, 3 advisories, 4 watches, 5 unknown.
    """

    holds: bool
    rank: int


def severity_of(codes: Sequence[str], event: str) -> Severity | None:
    """The highest severity of the codes and the name of the event; None for an irrelevant event.

    codes: such as "WS.W", () where none was given.

    The name counts beside the codes, so that one damaged field loses nothing.
    """
    words = event.rsplit(" ", 1)
    phenomenon, level = _NAMES.get(words[0], ""), _LEVELS.get(words[-1], "")
    named = [f"{phenomenon}.{level}"] if phenomenon and level else []
    if not codes and not named:
        return None if event in _IGNORED_EVENTS else Severity(holds=False, rank=LAST)
    severities = [w for w in map(_of_code, (*codes, *named)) if w is not None]
    return min(severities, key=lambda w: w.rank, default=None)


def severity_of_named(name: str, level: str) -> Severity | None:
    """Severity of an event of a service with other codes, by its English name and level; None for an irrelevant event.

    level: "warning", "watch", "advisory" or another word.

    [A] A blizzard warning is waited out like a US one. A squall warning is not, because Canada's last many hours, not
    one.
    """
    words, level = name.lower(), level.lower()
    if "blizzard" in words and level == "warning":
        return Severity(holds=True, rank=0)
    ranks = {"advisory": 3, "watch": 4}
    if any(w in words for w in _WINTER_WORDS):
        return Severity(holds=False, rank=ranks.get(level, 1 if level == "warning" else LAST))
    if any(w in words for w in _ROAD_WORDS):
        return Severity(holds=False, rank=ranks.get(level, 2 if level == "warning" else LAST))
    return None if any(w in words for w in _ELSEWHERE_WORDS) else Severity(holds=False, rank=LAST)


_RED, _ORANGE, _YELLOW = "red", "orange", "yellow"
# [A] What an impact stands for when the colour is below it: a colour is lowered by a low confidence, the impact is not.
_COLOUR_OF_IMPACT: Final = {"extreme": _RED, "high": _ORANGE}
_COLOUR_RANK: Final = {_RED: 1, _ORANGE: 1, _YELLOW: 2}
_GRAVER: Final = (_RED, _ORANGE, _YELLOW)


def severity_of_coloured(name: str, level: str, colour: str, impact: str) -> Severity | None:
    """Severity of an event of a service that colours its warnings by impact and confidence; None if irrelevant.

    level: "warning", "watch", "advisory" or another word. colour: "yellow", "orange", "red" or "" where none is given.
    impact: "low", "moderate", "high", "extreme" or "".

    The graver of the colour and the impact counts. [A] Only a blizzard warning of orange or red is waited
    out: yellow is the colour of most warnings, for moderate, local or short effects (Environment and Climate
    Change Canada, November 2025). Its snow is still in the forecast and in the road's state.
    """
    weight = severity_of_named(name, level)
    own, of_impact = colour.strip().lower(), _COLOUR_OF_IMPACT.get(impact.strip().lower(), "")
    known = [c for c in _GRAVER if c in (own, of_impact)]
    if weight is None or own not in _GRAVER:
        return weight  # without a colour that is known nothing is lowered
    grave = known[0]
    words, level = name.lower(), level.lower()
    if level == "warning" and "blizzard" in words:
        return Severity(holds=True, rank=0) if grave != _YELLOW else Severity(holds=False, rank=1)
    if weight.rank == LAST or level != "warning":
        lift = {_RED: 2, _ORANGE: 1, _YELLOW: 0}[grave]
        return Severity(holds=False, rank=max(weight.rank - lift, 1))
    rank = max(_COLOUR_RANK[grave], 1 if any(w in words for w in _WINTER_WORDS) else weight.rank - (grave != _YELLOW))
    return Severity(holds=False, rank=rank)


def _of_code(code: str) -> Severity | None:
    phenomenon, _, level = code.partition(".")
    if code in _HOLDS:
        return Severity(holds=True, rank=0)
    if phenomenon in WINTER:
        return Severity(holds=False, rank={"W": 1, "Y": 3, "A": 4}.get(level, LAST))
    if phenomenon in _ROAD:
        return Severity(holds=False, rank={"W": 2, "Y": 3, "A": 4}[level]) if level in _ROAD[phenomenon] else None
    return None if phenomenon in _ELSEWHERE else Severity(holds=False, rank=LAST)
