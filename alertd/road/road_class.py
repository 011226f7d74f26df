"""Classifies pavement from its stores, and maps the classes to the codes of other systems."""

from dataclasses import dataclass
from enum import IntEnum
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray


class RoadClass(IntEnum):
    """Pavement classes. The first seven follow WMO BUFR code table 0 20 138; packed snow and slush are additions.

    UNKNOWN is a class of its own: missing weather never reads as dry.
    """

    UNKNOWN = -1
    DRY = 0
    MOIST = 1
    WET = 2
    RIME = 3
    SNOW = 4
    ICE = 5
    GLAZE = 6
    SLUSH = 7
    PACKED_SNOW = 8

    @property
    def label(self) -> str:
        """The name used in files and plans, e.g. "packed snow"."""
        return self.name.lower().replace("_", " ")


# Classes that cause a control or reduce grip.
WINTER_CLASSES: tuple[RoadClass, ...] = (
    RoadClass.RIME,
    RoadClass.SNOW,
    RoadClass.ICE,
    RoadClass.GLAZE,
    RoadClass.SLUSH,
    RoadClass.PACKED_SNOW,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassLimits:
    """Store and temperature limits between classes, mm w.e. All are engineering assumptions to be tuned."""

    moist_mmwe: float = 0.01  # DATEX II v3: moist from 0.01 mm
    wet_mmwe: float = 0.1  # DATEX II v3: 0.2; but 0.1 already freezes to an amount that counts as ice
    rime_mmwe: float = 0.02
    ice_mmwe: float = 0.1
    snow_mmwe: float = 0.3  # about 3 mm deep; a limit below that of slush would leave a gap that reads as wet
    packed_mmwe: float = 1.0
    slush_temp_c: float = -0.05
    slush_liquid_frac: float = 0.15  # water over snow from which snow is slush
    # A tire presses through less snow than this, about 5 cm of new snow, onto the ice beneath.
    thin_snow_mmwe: float = 5.0
    # Snow that may remain where the past is unknown: about 5 cm of new snow, as a road in use may still have.
    unseen_snow_mmwe: float = 5.0


LIMITS: Final = ClassLimits()


def classify(
    surface_temp_c: ArrayLike,
    water_mmwe: ArrayLike,
    snow_mmwe: ArrayLike,
    ice_mmwe: ArrayLike,
    *,
    glaze_mmwe: ArrayLike = 0.0,
    packed_mmwe: ArrayLike = 0.0,
    hoar_mmwe: ArrayLike = 0.0,
    limits: ClassLimits = LIMITS,
) -> NDArray[np.int8]:
    """The class of a pavement from its stores; UNKNOWN where any of them is NaN. Shape of the broadcast input.

    The top cover names the class: snow over ice is snow. Frozen stores are named by origin. Ice from vapour or fog is
    rime, however thick. Ice mostly from freezing rain is glaze from `rime_mmwe` on. What traffic packed is packed snow
    from `ice_mmwe` on, and from `packed_mmwe` on under loose snow too. Other ice is ice from `ice_mmwe` on, and rime
    below it.
    """
    t, w, s, i, g, packed, hoar = np.broadcast_arrays(
        *(np.asarray(x) for x in (surface_temp_c, water_mmwe, snow_mmwe, ice_mmwe, glaze_mmwe, packed_mmwe, hoar_mmwe))
    )
    clear = i - hoar
    snowy = s >= limits.snow_mmwe
    slushy = snowy & (t >= limits.slush_temp_c) & (w >= limits.slush_liquid_frac * s)
    cases = (
        (np.isnan(t + w + s + clear + g + packed), RoadClass.UNKNOWN),
        (slushy, RoadClass.SLUSH),
        (packed >= limits.packed_mmwe, RoadClass.PACKED_SNOW),
        (snowy, RoadClass.SNOW),
        ((g >= limits.rime_mmwe) & (g >= 0.5 * clear), RoadClass.GLAZE),
        (clear - packed >= limits.ice_mmwe, RoadClass.ICE),
        (packed >= limits.ice_mmwe, RoadClass.PACKED_SNOW),
        (s + i >= limits.rime_mmwe, RoadClass.RIME),
        (w >= limits.wet_mmwe, RoadClass.WET),
        (w >= limits.moist_mmwe, RoadClass.MOIST),
    )
    chosen = np.full(t.shape, RoadClass.DRY, dtype=np.int8)
    for condition, road_class in reversed(cases):
        chosen += condition.view(np.int8) * (np.int8(road_class) - chosen)  # several times faster than np.where
    return chosen


_COVERS: Final = (RoadClass.SNOW, RoadClass.SLUSH, RoadClass.PACKED_SNOW)


def gripping_class(
    road_class: NDArray[np.int8],
    snow_mmwe: ArrayLike,
    ice_mmwe: ArrayLike,
    *,
    glaze_mmwe: ArrayLike = 0.0,
    packed_mmwe: ArrayLike = 0.0,
    hoar_mmwe: ArrayLike = 0.0,
    limits: ClassLimits = LIMITS,
) -> NDArray[np.int8]:
    """The class that decides the friction of a tire, of the same shape as `road_class` from `classify`.

    It is the class itself, with three exceptions, so that ice beneath never raises friction. Glaze of `rime_mmwe` or
    more decides, whatever other ice is with it. Ice of `ice_mmwe` or more decides under snow, slush or packed snow, and
    packed snow decides under slush. None of them counts below `thin_snow_mmwe` or more of snow; packed snow counts as
    snow above ice, and hoar under snow does not count.
    """
    snow, packed, glaze = (np.asarray(x) for x in (snow_mmwe, packed_mmwe, glaze_mmwe))
    with np.errstate(invalid="ignore"):
        glazed = glaze >= limits.rime_mmwe
        covered = np.zeros(road_class.shape, dtype=np.bool_)
        for cover in _COVERS:
            covered |= road_class == cover
        if not (covered.any() or glazed.any()):
            return road_class.copy()
        iced = covered & (np.asarray(ice_mmwe) - packed - np.asarray(hoar_mmwe) >= limits.ice_mmwe)
        trodden = (road_class == RoadClass.SLUSH) & (packed >= limits.ice_mmwe) & (snow < limits.thin_snow_mmwe)
        thin = (snow + packed < limits.thin_snow_mmwe) & (road_class != RoadClass.UNKNOWN)
    grip = np.where(trodden, np.int8(RoadClass.PACKED_SNOW), road_class)
    for hidden, under in ((iced & thin, RoadClass.ICE), (glazed & thin, RoadClass.GLAZE)):
        if hidden.any():
            grip = np.where(hidden, np.int8(under), grip)
    return grip


WORDS: Final[dict[RoadClass, str]] = {
    RoadClass.UNKNOWN: "road state unknown",
    RoadClass.DRY: "dry",
    RoadClass.MOIST: "damp",
    RoadClass.WET: "wet",
    RoadClass.RIME: "frost",
    RoadClass.SNOW: "snow",
    RoadClass.ICE: "ice",
    RoadClass.GLAZE: "glaze from freezing rain",
    RoadClass.SLUSH: "slush",
    RoadClass.PACKED_SNOW: "packed snow",
}

# Names that drivers use, where they differ from those in the data.
DRIVERS_WORDS: Final = {"rime": "frost", "moist": "damp"}

# WMO-No. 306 Vol. I.2, code table 0 20 138. It has no slush or packed snow: both map to snow. 15 is "missing".
BUFR_0_20_138: Final[dict[RoadClass, int]] = {
    RoadClass.UNKNOWN: 15,
    RoadClass.DRY: 0,
    RoadClass.MOIST: 1,
    RoadClass.WET: 2,
    RoadClass.RIME: 3,
    RoadClass.SNOW: 4,
    RoadClass.ICE: 5,
    RoadClass.GLAZE: 6,
    RoadClass.SLUSH: 4,
    RoadClass.PACKED_SNOW: 4,
}

# DATEX II v3 WeatherRelatedRoadConditionTypeEnum. None: nothing to publish.
DATEX_II: Final[dict[RoadClass, str | None]] = {
    RoadClass.UNKNOWN: None,
    RoadClass.DRY: "dry",
    RoadClass.MOIST: "moist",
    RoadClass.WET: "wet",
    RoadClass.RIME: "rime",
    RoadClass.SNOW: "snowOnTheRoad",
    RoadClass.ICE: "ice",
    RoadClass.GLAZE: "glaze",
    RoadClass.SLUSH: "slushOnRoad",
    RoadClass.PACKED_SNOW: "packedSnow",
}

# NTCIP 1204 essSurfaceStatus: 1 other, 3 dry, 4 traceMoisture, 5 wet, 7 iceWarning, 9 snowWarning, 13 frost.
# The value for "error" (2) would report a broken sensor, so an unknown state is "other".
NTCIP_SURFACE_STATUS: Final[dict[RoadClass, int]] = {
    RoadClass.UNKNOWN: 1,
    RoadClass.DRY: 3,
    RoadClass.MOIST: 4,
    RoadClass.WET: 5,
    RoadClass.RIME: 13,
    RoadClass.SNOW: 9,
    RoadClass.ICE: 7,
    RoadClass.GLAZE: 7,
    RoadClass.SLUSH: 9,
    RoadClass.PACKED_SNOW: 9,
}
