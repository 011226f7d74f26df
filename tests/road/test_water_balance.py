"""Freezing and melting of the stores: what freezes where, and that no water is lost."""

import numpy as np
import pytest

from alertd.road.road_class import RoadClass, classify, gripping_class
from alertd.road.water_balance import Stores, change_phase


def stores(**over: float) -> Stores:
    empty = dict.fromkeys(Stores._fields, 0.0) | over
    return Stores(**{name: np.array([value]) for name, value in empty.items()})


def test_water_frozen_under_snow_is_packed_snow() -> None:
    """A sheet of ice forms before the snow or not at all: what freezes within the snow binds it (assumed)."""
    after = change_phase(stores(water=1.2, snow=3.0), np.array([-0.8]), with_parts=False)
    assert after.packed == pytest.approx(0.8)
    assert (after.water, after.snow, after.ice) == (pytest.approx(0.4), pytest.approx(3.0), pytest.approx(0.8))
    parts = {"packed_mmwe": after.packed, "glaze_mmwe": after.glaze}
    named = classify(-2.0, 0.0, after.snow, after.ice, **parts)
    assert gripping_class(named, after.snow, after.ice, **parts) == RoadClass.SNOW


def test_water_frozen_before_the_snow_stays_a_sheet() -> None:
    frozen = change_phase(stores(water=0.8), np.array([-0.8]), with_parts=False)
    snow = np.array([2.0])
    assert frozen.packed == 0.0
    named = classify(-2.0, 0.0, snow, frozen.ice)
    assert (named, gripping_class(named, snow, frozen.ice)) == (RoadClass.SNOW, RoadClass.ICE)


def test_supercooled_rain_freezes_to_glaze_under_snow_too() -> None:
    after = change_phase(stores(water=1.0, supercooled=1.0, snow=2.0), np.array([-1.0]), with_parts=True)
    assert (after.glaze, after.packed) == (pytest.approx(1.0), 0.0)


@pytest.mark.parametrize("melted", [-0.7, 0.0, 0.5, 4.0])
def test_no_water_is_lost_between_phases(melted: float) -> None:
    before = stores(water=0.9, snow=2.5, ice=1.5, packed=0.5, glaze=0.4)
    after = change_phase(before, np.array([melted]), with_parts=True)
    assert after.water + after.snow + after.ice == pytest.approx(before.water + before.snow + before.ice)
    assert (after.packed + after.glaze <= after.ice + 1e-12).all()
