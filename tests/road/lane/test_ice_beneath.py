"""Ice beneath a cover never raises the friction of the road: properties over all combinations of stores."""

from itertools import product

import numpy as np
import pytest

from alertd.road.friction import friction_mu
from alertd.road.humidity import Array
from alertd.road.road_class import LIMITS, RoadClass, classify, gripping_class

TEMP_C = (-8.0, -2.0, -0.3, 0.0, 0.6)
WATER = (0.0, 0.05, 0.7)
SNOW = (0.0, 0.25, 0.5, 2.0, 4.5, 8.0)
PLAIN = (0.0, 0.01, 0.05, 0.2, 1.0, 6.0)
GLAZE = (0.0, 0.01, 0.03, 0.05, 0.3, 1.7, 6.0)
PACKED = (0.0, 0.05, 0.5, 2.0, 6.0)
HOAR = (0.0, 0.02, 0.1, 0.5)
STORES = np.array(list(product(TEMP_C, WATER, SNOW, PLAIN, GLAZE, PACKED, HOAR))).T


def grip_mu(stores: Array, quantile: float) -> Array:
    """Friction of roads with (temperature, water, snow, plain ice, glaze, packed, hoar) rows."""
    t, w, s, plain, glaze, packed, hoar = stores
    ice = plain + glaze + packed + hoar
    named = classify(t, w, s, ice, glaze_mmwe=glaze, packed_mmwe=packed, hoar_mmwe=hoar)
    grip = gripping_class(named, s, ice, glaze_mmwe=glaze, packed_mmwe=packed, hoar_mmwe=hoar)
    assert (grip != RoadClass.UNKNOWN).all()
    return friction_mu(grip, quantile, t)


@pytest.mark.parametrize("quantile", [0.05, 0.5, 0.95])
@pytest.mark.parametrize("row", [3, 4], ids=["plain", "glaze"])
@pytest.mark.parametrize("more_mmwe", [0.03, 0.3, 3.0])
def test_more_ice_never_raises_the_friction(quantile: float, row: int, more_mmwe: float) -> None:
    before, more = STORES.copy(), STORES.copy()
    more[row] += more_mmwe
    assert (grip_mu(more, quantile) <= grip_mu(before, quantile) + 1e-12).all()


def test_snow_thinner_than_a_tire_reaches_hides_no_glaze() -> None:
    """0.02 to 6 mm of glaze under up to 5 mm w.e. of snow, packed snow or slush, whatever other ice is with it."""
    _t, _w, s, _plain, glaze, packed, _hoar = STORES
    thin = (glaze >= LIMITS.rime_mmwe) & (s + packed < LIMITS.thin_snow_mmwe)
    glazed = friction_mu(RoadClass.GLAZE, 0.5)
    assert grip_mu(STORES[:, thin], 0.5) == pytest.approx(float(glazed))


def test_slush_on_packed_snow_grips_like_packed_snow() -> None:
    named = classify(0.0, 0.3, 0.5, 1.5, packed_mmwe=1.5)
    assert named == RoadClass.SLUSH
    assert gripping_class(named, 0.5, 1.5, packed_mmwe=1.5) == RoadClass.PACKED_SNOW
