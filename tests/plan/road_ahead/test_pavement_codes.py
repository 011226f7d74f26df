"""Pavement codes: the name that is shown, and the ice that decides the grip."""

import numpy as np

from alertd.plan.road_ahead.pavement_codes import GRIP_OF_CODE, NAMED_OF_CODE, WET_ICE, pavement_codes
from alertd.plan.road_ahead.rig_grip import code_mu
from alertd.plan.road_ahead.speeds import surface_shares
from alertd.road.friction import friction_mu
from alertd.road.road_class import RoadClass

COVERS = (RoadClass.SNOW, RoadClass.SLUSH, RoadClass.PACKED_SNOW)


def code(named: RoadClass, grips: RoadClass, surface_temp_c: float) -> int:
    arrays = (np.array([x], dtype=np.int8) for x in (named, grips))
    return int(pavement_codes(*arrays, np.array([surface_temp_c]))[0])


def test_a_code_gives_back_name_friction_and_speed() -> None:
    pairs = [(c, c) for c in RoadClass] + [(c, g) for c in COVERS for g in (RoadClass.ICE, RoadClass.GLAZE)]
    for named, grips in pairs:
        for surface_temp_c in (-6.0, -0.1):
            number = code(named, grips, surface_temp_c)
            assert NAMED_OF_CODE[number] == named
            assert GRIP_OF_CODE[number] == grips
            np.testing.assert_equal(code_mu(np.asarray(number), 0.5), friction_mu(grips, 0.5, surface_temp_c))
            on = surface_shares(np.array([[number]], dtype=np.int8))
            assert float(on.ice[0]) == float(grips in (RoadClass.ICE, RoadClass.GLAZE))


def test_a_road_without_ice_has_its_plain_codes() -> None:
    plain = np.array([c for c in RoadClass if c is not RoadClass.ICE], dtype=np.int8)
    assert pavement_codes(plain, plain, np.full(plain.shape, -0.1)).tolist() == (plain + 1).tolist()
    assert code(RoadClass.ICE, RoadClass.ICE, -0.1) == WET_ICE
