"""The colors, hatches and letters of every picture, light and dark: one look, never color alone.

A worse road is darker on light paper and lighter on dark, so order survives a black and white print; blues and
magentas stay apart for who does not tell red from green. Each class has a letter and a hatch besides.
"""

from dataclasses import dataclass
from typing import Final

from alertd.plan.model import Advice
from alertd.road.road_class import RoadClass

# No two roles share a light color: a drawing is made with them and told apart by them (see `canvas`).
LIGHT: Final = {
    "paper": "#ffffff",
    "ink": "#1b1b1b",
    "quiet": "#5c5c5c",
    "line": "#b9b9b4",
    "land": "#f4f3ee",
    "hatch": "#2e2e2e",
    "dry": "#e9e8e2",
    "moist": "#d9e0e4",
    "wet": "#bcd3e4",
    "rime": "#cbb5dc",
    "slush": "#93b6da",
    "snow": "#6b97d4",
    "packed": "#4a6fbd",
    "ice": "#b0408c",
    "glaze": "#7a1c66",
    "unknown": "#f3d98b",
    "clear": "#fdfdfb",
    "slow": "#ecd5e6",
    "ready": "#f5bd57",
    "chain": "#d0681c",
    "hold": "#97201a",
    "mark": "#ffc680",
}
DARK: Final = {
    "paper": "#16181b",
    "ink": "#f2f2f2",
    "quiet": "#b5b5b5",
    "line": "#55595e",
    "land": "#202327",
    "hatch": "#d9d9d9",
    "dry": "#2b2e32",
    "moist": "#34404a",
    "wet": "#345069",
    "rime": "#6a5586",
    "slush": "#4a79ac",
    "snow": "#70a4e8",
    "packed": "#a0c2f7",
    "ice": "#f07ac4",
    "glaze": "#ffb9e6",
    "unknown": "#6e5a1e",
    "clear": "#191b1e",
    "slow": "#4a2f45",
    "ready": "#8f6413",
    "chain": "#e08236",
    "hold": "#ff9d8c",
    "mark": "#8a4b00",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """How one kind of thing is drawn: the role of its fill, its hatch as matplotlib writes one, its letter and name.

    dash: strokes across a line of it on a map, as (on, off) in its widths; none where it is plain.
    """

    role: str
    hatch: str = ""
    letter: str = ""
    name: str = ""
    dash: tuple[float, ...] = ()


# Hatches of lines only: one of dots weighs 40 kB in an SVG.
ROAD: Final = {
    RoadClass.DRY: Look(role="dry", letter="d", name="dry"),
    RoadClass.MOIST: Look(role="moist", letter="m", name="damp"),
    RoadClass.WET: Look(role="wet", letter="w", name="wet"),
    RoadClass.RIME: Look(role="rime", hatch="||", letter="r", name="frost", dash=(0.15, 1.6)),
    RoadClass.SLUSH: Look(role="slush", hatch="---", letter="~", name="slush", dash=(0.3, 1.2)),
    RoadClass.SNOW: Look(role="snow", hatch="///", letter="S", name="snow", dash=(0.15, 0.6)),
    RoadClass.PACKED_SNOW: Look(role="packed", hatch="\\\\\\", letter="P", name="packed snow", dash=(0.15, 0.35)),
    RoadClass.ICE: Look(role="ice", hatch="xxx", letter="I", name="ice", dash=(0.12, 0.25, 0.12, 0.9)),
    RoadClass.GLAZE: Look(role="glaze", hatch="+++", letter="G", name="glaze", dash=(0.12, 0.2, 0.12, 0.2, 0.12, 0.8)),
    RoadClass.UNKNOWN: Look(role="unknown", hatch="x", letter="?", name="not known", dash=(0.6, 1.6)),
}
BY_LABEL: Final = {c.label: look for c, look in ROAD.items()}

ADVICE: Final = {
    Advice.CLEAR: Look(role="clear", name="no chains expected"),
    Advice.SLOW: Look(role="slow", hatch="--", letter="S", name="winter road, no chains expected"),
    Advice.READY: Look(role="ready", hatch="//", letter="R", name="be ready to chain"),
    Advice.CHAIN: Look(role="chain", hatch="xx", letter="C", name="plan to chain"),
    Advice.HOLD: Look(role="hold", letter="H", name="hold below it"),
}
CLOSED: Final = Look(role="hold", hatch="xxxx", letter="X", name="closed road")
WARNED: Final = Look(role="ready", hatch="\\\\", letter="!", name="weather warning")
PLAIN_BAR: Final = Look(role="clear")
QUIET: Final = Look(role="quiet")
