"""Friction, what grades ask of it, what chains add."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.road import friction
from alertd.road.road_class import RoadClass

CLASSES = [c for c in RoadClass if c is not RoadClass.UNKNOWN]
SHARE = st.floats(0.1, 1.0)


@pytest.mark.parametrize("road_class", CLASSES)
def test_class_range_is_ordered_named_and_drawn_end_to_end(road_class: RoadClass) -> None:
    low, mode, high, source = friction.FRICTION[road_class]
    assert 0.0 < low < mode < high < 1.0
    assert source
    q = np.linspace(0.0, 1.0, 2001)
    mu = friction.friction_mu(road_class, q)
    assert (float(mu[0]), float(mu[-1])) == pytest.approx((low, high))
    assert (np.diff(mu) > 0.0).all()
    # Mean of a triangular distribution: (low + mode + high) / 3
    assert float(np.trapezoid(mu, q)) == pytest.approx((low + mode + high) / 3.0, abs=1e-4)


def test_winter_surfaces_rank_as_published_truck_tests_rank_them() -> None:
    """Navin et al. 1996: packed snow well above bare ice; Noon 1994: wet asphalt above snow."""
    mid = {c: float(friction.friction_mu(c, 0.5)) for c in CLASSES}
    order = [RoadClass.GLAZE, RoadClass.ICE, RoadClass.PACKED_SNOW, RoadClass.WET, RoadClass.DRY]
    values = [mid[c] for c in order]
    assert values == sorted(values)
    assert mid[RoadClass.PACKED_SNOW] > 2.0 * mid[RoadClass.ICE]


def test_ice_about_to_melt_grips_as_little_as_glaze() -> None:
    assert float(friction.friction_mu(RoadClass.ICE, 0.5, -0.1)) == float(friction.friction_mu(RoadClass.GLAZE, 0.5))
    assert float(friction.friction_mu(RoadClass.ICE, 0.5, -0.1)) < float(friction.friction_mu(RoadClass.ICE, 0.5, -6.0))


def test_unknown_road_has_no_friction_and_no_margin() -> None:
    assert np.isnan(friction.friction_mu(RoadClass.UNKNOWN, 0.5))
    assert np.isnan(friction.chain_ratio(RoadClass.UNKNOWN))
    assert np.isnan(friction.rolling_coeff(RoadClass.UNKNOWN))
    margin = friction.grip_margin(RoadClass.UNKNOWN, 0.3, 0.06, 0.425)
    assert np.isnan(margin.drive)
    assert np.isnan(margin.brake)


@given(
    road_class=st.sampled_from(CLASSES), mu=st.floats(0.0, 0.8), more=st.floats(0.0, 0.3),
    grade=st.floats(-0.12, 0.12), share=SHARE, chained=SHARE,
)  # fmt: skip
def test_more_friction_and_more_chains_never_make_it_worse(
    road_class: RoadClass, mu: float, more: float, grade: float, share: float, chained: float
) -> None:
    bare = friction.grip_margin(road_class, mu, grade, share)
    better = friction.grip_margin(road_class, mu + more, grade, share)
    iron = friction.grip_margin(road_class, mu, grade, share, chained_drive_share=chained, chained_share=chained)
    for name in ("drive", "brake"):
        assert float(getattr(better, name)) >= float(getattr(bare, name))
        assert float(getattr(iron, name)) >= float(getattr(bare, name))
    assert float(friction.chain_ratio(road_class)) >= 1.0


def test_only_the_chained_part_of_the_weight_gains() -> None:
    """0.425 on drive axles, half of it chained on ice at ratio 2: works like 0.425 + 0.2125."""
    assert float(friction.effective_share(0.425, 0.2125, 2.0)) == pytest.approx(0.6375)
    assert float(friction.effective_share(0.425, 0.9, 2.0)) == pytest.approx(0.85)  # chains elsewhere do not drive
    assert float(friction.effective_share(0.425, 0.0, 2.0)) == 0.425


def test_traction_gains_lie_below_those_of_cars() -> None:
    """Start traction with chains: 3 or more on snow, 6 or more on ice (NSC, quoted by the Utah Safety Council)."""
    for road_class, published in ((RoadClass.SNOW, 3.0), (RoadClass.PACKED_SNOW, 3.0), (RoadClass.ICE, 6.0)):
        gain = float(friction.chain_traction_ratio(road_class))
        assert float(friction.chain_ratio(road_class)) < gain < published
    assert float(friction.chain_traction_ratio(RoadClass.DRY)) == 1.0
    assert np.isnan(friction.chain_traction_ratio(RoadClass.UNKNOWN))


def test_a_chained_tractor_climbs_six_percent_in_snow() -> None:
    """Common practice, no source: loaded combinations with chained drive tires climb 6 % passes in snow."""
    share, chained = 0.425, 0.2125  # outer tires of both drive axles of an 80,000 lb combination
    quantiles = np.linspace(0.05, 0.95, 19)
    mu = friction.friction_mu(RoadClass.SNOW, quantiles)
    margin = friction.grip_margin(RoadClass.SNOW, mu, 0.06, share, chained_drive_share=chained, chained_share=chained)
    bare = friction.grip_margin(RoadClass.SNOW, mu, 0.06, share)
    assert (margin.drive < 0.0).mean() < 0.1
    assert (bare.drive < 0.0).mean() > 0.4


def test_chain_ratios_are_those_of_the_measured_stops() -> None:
    """NSC stops of cars at 20 mph (Utah Safety Council): ice 149 ft bare, half chained; snow 60 and 38 ft."""
    assert float(friction.chain_ratio(RoadClass.ICE)) == pytest.approx(149.0 / 74.5)
    assert float(friction.chain_ratio(RoadClass.SNOW)) <= 60.0 / 38.0
    assert float(friction.chain_ratio(RoadClass.DRY)) == 1.0


def test_a_loaded_truck_cannot_climb_six_percent_of_ice_bare() -> None:
    """Gradeability mu * share - rolling: 0.06 * 0.425 - 0.015 = 1.1 % (truck friction of Navin et al. 1996)."""
    climbs = 0.06 * 0.425 - 0.015
    assert climbs == pytest.approx(0.0105)
    needed = friction.required_mu_climb(climbs, 0.425, 0.015)
    assert float(needed) == pytest.approx(0.06, rel=1e-3)
    assert float(friction.grip_margin(RoadClass.ICE, 0.06, 0.06, 0.425).drive) < 0.0


def test_brakes_hold_uphill_without_friction_and_broadcast() -> None:
    classes = np.array([[RoadClass.SNOW, RoadClass.DRY, RoadClass.UNKNOWN]] * 2, dtype=np.int8)
    mu = np.array([[0.2, 0.6, np.nan], [0.12, 0.5, np.nan]])
    margin = friction.grip_margin(classes, mu, np.array([0.05, 0.0, 0.05]), 0.425)
    assert margin.drive.shape == margin.brake.shape == (2, 3)
    np.testing.assert_array_equal(margin.brake[:, :2], mu[:, :2])
    assert np.isnan(margin.drive[:, 2]).all()
