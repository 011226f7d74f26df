"""Classes of the pavement, and the words of other systems for them."""

import numpy as np
import pytest

from alertd.road import road_class
from alertd.road.friction import friction_mu
from alertd.road.road_class import RoadClass, classify, gripping_class


@pytest.mark.parametrize(
    ("temp_c", "water", "snow", "ice", "glaze", "packed", "expected"),
    [
        (4.0, 0.0, 0.0, 0.0, 0.0, 0.0, RoadClass.DRY),
        (4.0, 0.05, 0.0, 0.0, 0.0, 0.0, RoadClass.MOIST),
        (4.0, 0.5, 0.0, 0.0, 0.0, 0.0, RoadClass.WET),
        (-3.0, 0.0, 0.0, 0.05, 0.0, 0.0, RoadClass.RIME),
        (-3.0, 0.0, 0.1, 0.0, 0.0, 0.0, RoadClass.RIME),  # a dusting
        (-3.0, 0.0, 2.0, 0.0, 0.0, 0.0, RoadClass.SNOW),
        (-3.0, 0.0, 2.0, 0.5, 0.0, 0.0, RoadClass.SNOW),  # snow over ice
        (-3.0, 0.0, 0.0, 0.5, 0.0, 0.0, RoadClass.ICE),
        (0.0, 0.4, 0.0, 0.5, 0.1, 0.0, RoadClass.ICE),  # wet ice
        (-1.0, 0.2, 0.0, 0.5, 0.4, 0.0, RoadClass.GLAZE),
        (0.0, 0.5, 1.0, 0.0, 0.0, 0.0, RoadClass.SLUSH),
        (-4.0, 0.0, 0.5, 2.0, 0.0, 1.5, RoadClass.PACKED_SNOW),
    ],
)
def test_stores_name_the_class(
    temp_c: float, water: float, snow: float, ice: float, glaze: float, packed: float, expected: RoadClass
) -> None:
    assert classify(temp_c, water, snow, ice, glaze_mmwe=glaze, packed_mmwe=packed) == expected


@pytest.mark.parametrize("glaze_frac", [0.0, 1.0])
@pytest.mark.parametrize(("temp_c", "water"), [(-3.0, 0.0), (0.0, 2.0)])
@pytest.mark.parametrize("packed", [0.0, 1.5])
def test_thin_snow_never_grips_more_than_its_ice(glaze_frac: float, temp_c: float, water: float, packed: float) -> None:
    """1.7 mm of ice or glaze; the median friction stays that of the ice to 5 mm w.e. of snow, and never falls after."""
    snow = np.linspace(0.0, 9.0, 181)
    ice = np.full_like(snow, 1.7) + packed
    parts = {"glaze_mmwe": glaze_frac * (ice - packed), "packed_mmwe": packed}
    named = classify(temp_c, water, snow, ice, **parts)
    mu = friction_mu(gripping_class(named, snow, ice, **parts), 0.5, temp_c)
    bare_ice = float(friction_mu(RoadClass.GLAZE if glaze_frac else RoadClass.ICE, 0.5, temp_c))
    assert mu[snow + packed < 5.0] == pytest.approx(bare_ice)
    assert mu[snow + packed > 5.0].min() > bare_ice
    assert (np.diff(mu) >= 0.0).all()


def test_the_name_and_plain_classes_keep_their_own_grip() -> None:
    t, w, s, i = np.array([(-3, 0, 3, 0), (-3, 0, 3, 0.05), (-3, 0, 0, 2), (4, 1, 0, 0), (np.nan, 0, 3, 2)]).T
    named = classify(t, w, s, i)
    assert named.tolist() == [RoadClass.SNOW, RoadClass.SNOW, RoadClass.ICE, RoadClass.WET, RoadClass.UNKNOWN]
    assert gripping_class(named, s, i).tolist() == named.tolist()


@pytest.mark.parametrize("missing", range(4))
def test_any_missing_store_is_unknown_never_dry(missing: int) -> None:
    stores = [0.0] * 4
    stores[missing] = np.nan
    assert classify(*stores) == RoadClass.UNKNOWN


def test_no_frozen_store_reads_as_dry_moist_or_wet() -> None:
    """No gap between the limits: 0.02 mm w.e. and more of snow and ice is always a winter class."""
    snow, ice = np.meshgrid(np.linspace(0.0, 1.0, 101), np.linspace(0.0, 1.0, 101))
    for temp_c, water in ((-2.0, 0.0), (0.0, 0.7)):
        classes = classify(temp_c, water, snow, ice)
        plain = np.isin(classes, [RoadClass.DRY, RoadClass.MOIST, RoadClass.WET])
        assert (snow + ice)[plain].max() < 0.02


@pytest.mark.parametrize(
    "table",
    [road_class.WORDS, road_class.BUFR_0_20_138, road_class.DATEX_II, road_class.NTCIP_SURFACE_STATUS],
    ids=lambda t: len(t),
)
def test_every_class_has_a_word_everywhere(table: dict[RoadClass, object]) -> None:
    assert set(table) == set(RoadClass)


def test_bufr_codes_are_those_of_the_wmo_table() -> None:
    """WMO-No. 306 Vol. I.2, 0 20 138: 0 dry, 1 moist, 2 wet, 3 rime, 4 snow, 5 ice, 6 glaze, 15 missing."""
    names = ("DRY", "MOIST", "WET", "RIME", "SNOW", "ICE", "GLAZE")
    assert [road_class.BUFR_0_20_138[RoadClass[n]] for n in names] == [0, 1, 2, 3, 4, 5, 6]
    assert road_class.BUFR_0_20_138[RoadClass.UNKNOWN] == 15


def test_datex_words_are_of_its_enumeration() -> None:
    """DATEX II v3.7 WeatherRelatedRoadConditionTypeEnum (the values that we use)."""
    enumeration = {
        "dry", "moist", "wet", "rime", "snow", "ice", "glaze", "slushOnRoad", "packedSnow", "looseSnow", "freshSnow",
        "snowOnTheRoad", "blackIce", "icyPatches", "freezingRain", "wetAndIcyRoad", "deepSnow", "notDry", "other",
    }  # fmt: skip
    assert {w for w in road_class.DATEX_II.values() if w is not None} <= enumeration
    assert road_class.DATEX_II[RoadClass.PACKED_SNOW] == "packedSnow"
    assert road_class.NTCIP_SURFACE_STATUS[RoadClass.SNOW] == 9  # NTCIP 1204 snowWarning
