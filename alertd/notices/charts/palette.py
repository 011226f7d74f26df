"""Colors, hatches and letters of all charts, light and dark. Color never carries meaning alone.

A worse road is darker on light paper and lighter on dark, so the order survives a black and white print. Blues and
magentas stay distinct for readers who do not distinguish red from green. Each class also has a letter and a hatch.
"""

from dataclasses import dataclass
from typing import Final

from alertd.plan.model.stretches import Advice
from alertd.road.road_class import RoadClass

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
class Style:
    """How one kind of thing is drawn: role of its fill, hatch, letter and name.

    hatch: lines on a square of 8 by 8, as an SVG path, repeated; tile_px: the square's size in pixels.
    dash: dashes across its line on a map, as (on, off) in line widths; empty for a plain line.
    """

    role: str
    hatch: str = ""
    letter: str = ""
    name: str = ""
    dash: tuple[float, ...] = ()
    tile_px: float = 8.0


_UPRIGHT: Final = "M4 0V8"
_LEVEL: Final = "M0 4H8"
_RISING: Final = "M-1 1L1-1M0 8L8 0M7 9L9 7"
_FALLING: Final = "M-1 7L1 9M0 0L8 8M7-1L9 1"
_CROSS: Final = "M1 1L7 7M1 7L7 1"

ROAD: Final = {
    RoadClass.DRY: Style(role="dry", letter="d", name="dry"),
    RoadClass.MOIST: Style(role="moist", letter="m", name="damp"),
    RoadClass.WET: Style(role="wet", letter="w", name="wet"),
    RoadClass.RIME: Style(role="rime", hatch=_UPRIGHT, letter="f", name="frost", dash=(0.15, 1.6)),
    RoadClass.SLUSH: Style(role="slush", hatch=_LEVEL, tile_px=6.0, letter="~", name="slush", dash=(0.3, 1.2)),
    RoadClass.SNOW: Style(role="snow", hatch=_RISING, letter="S", name="snow", dash=(0.15, 0.6)),
    RoadClass.PACKED_SNOW: Style(role="packed", hatch=_FALLING, letter="P", name="packed snow", dash=(0.15, 0.35)),
    RoadClass.ICE: Style(role="ice", hatch=_RISING + _FALLING, letter="I", name="ice", dash=(0.12, 0.25, 0.12, 0.9)),
    RoadClass.GLAZE: Style(
        role="glaze", hatch=_UPRIGHT + _LEVEL, letter="G", name="glaze", dash=(0.12, 0.2, 0.12, 0.2, 0.12, 0.8)
    ),
    RoadClass.UNKNOWN: Style(
        role="unknown", hatch="M1 1L7 7M1 7L7 1", tile_px=14.0, letter="?", name="not known", dash=(0.6, 1.6)
    ),
}
BY_LABEL: Final = {c.label: look for c, look in ROAD.items()}

ADVICE: Final = {
    Advice.CLEAR: Style(role="clear", name="no chains expected"),
    Advice.SLOW: Style(role="slow", hatch=_LEVEL, tile_px=9.0, letter="S", name="winter road, no chains expected"),
    Advice.READY: Style(role="ready", hatch=_RISING, tile_px=12.0, letter="R", name="be ready to chain"),
    Advice.CHAIN: Style(role="chain", hatch=_RISING + _FALLING, tile_px=11.0, letter="C", name="plan to chain"),
    Advice.HOLD: Style(role="hold", letter="H", name="hold below it"),
}
CLOSED: Final = Style(role="hold", hatch=_RISING + _FALLING, tile_px=6.0, letter="X", name="closed road")
WARNED: Final = Style(role="ready", hatch=_FALLING, tile_px=12.0, letter="!", name="weather warning")
PLAIN_BAR: Final = Style(role="clear")
QUIET: Final = Style(role="quiet")
