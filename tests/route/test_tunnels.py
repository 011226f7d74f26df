"""Runs of a route in tunnels, found by their portals, and the road in them."""

from dataclasses import replace

import numpy as np
import pytest

from alertd.road.corridor import road_cells
from alertd.route.build import build_route
from alertd.route.model import GpxLine, Route, TunnelSpan
from alertd.route.tunnels import Tunnel, in_tunnels, place_tunnels
from alertd.testing.factories import make_route

DEG_M = 111_195.0
PORTALS_M = (25_000.0, 41_900.0)  # a base of 16.9 km, as long as the Gotthard road tunnel


def south(distance_m: object, heights: object, *, lon_deg: object = 8.6) -> GpxLine:
    """A line straight south from 46.82 north."""
    d = np.asarray(distance_m, dtype=float)
    return GpxLine(
        name="n",
        lat_deg=46.82 - d / DEG_M,
        lon_deg=np.array(np.broadcast_to(np.asarray(lon_deg, dtype=float), d.shape)),
        elevation_m=np.array(np.broadcast_to(np.asarray(heights, dtype=float), d.shape)),
        segment_starts=np.array([0], dtype=np.intp),
        sha256="",
        where="t.gpx",
    )


def tunnel(start_m: float, end_m: float, name: str = "Base", lon_deg: float = 8.6) -> Tunnel:
    return Tunnel(name=name, lat_deg=(46.82 - start_m / DEG_M, 46.82 - end_m / DEG_M), lon_deg=(lon_deg, lon_deg))


def flat(length_m: float = 82_000.0) -> Route:
    return build_route(south(np.arange(0.0, length_m, 100.0), 600.0))


@pytest.mark.parametrize("ends", [PORTALS_M, PORTALS_M[::-1]], ids=["along", "against"])
def test_tunnel_runs_from_portal_to_portal_either_way(ends: tuple[float, float]) -> None:
    (span,) = place_tunnels(flat(), [tunnel(*ends)])
    assert (span.name, span.start_m, span.end_m) == ("Base", *(pytest.approx(m, abs=60.0) for m in PORTALS_M))


def test_two_tubes_are_one_tunnel() -> None:
    tubes = [tunnel(*PORTALS_M), tunnel(25_050.0, 41_850.0, name="Base II", lon_deg=8.6005)]
    (span,) = place_tunnels(flat(), tubes)
    assert span.name == "Base"


def test_old_road_over_the_pass_is_not_in_the_tunnel() -> None:
    """The road leaves the line between the portals and is half as long again."""
    d = np.arange(0.0, 82_000.0, 100.0)
    between = np.interp(d, [25_000, 33_450, 41_900], [0.0, 1.0, 0.0])
    route = build_route(south(d, 600.0, lon_deg=8.6 + 0.12 * between))
    assert place_tunnels(route, [tunnel(*PORTALS_M)]) == ()


def test_tunnel_of_another_road_does_not_count() -> None:
    assert place_tunnels(flat(), [tunnel(*PORTALS_M, lon_deg=8.61)]) == ()
    crossing = Tunnel(name="X", lat_deg=(46.5, 46.5), lon_deg=(8.58, 8.62))
    assert place_tunnels(flat(), [crossing]) == ()


def test_road_within_100_m_of_a_portal_is_outside() -> None:
    d = np.arange(0.0, 2_001.0, 50.0)
    inside = in_tunnels(d, [TunnelSpan(name="", start_m=500.0, end_m=1_500.0)])
    assert d[inside].min() == 600.0
    assert d[inside].max() == 1_400.0
    assert not in_tunnels(d, [TunnelSpan(name="", start_m=500.0, end_m=650.0)]).any()


def test_tunnel_samples_have_a_column_of_their_own() -> None:
    route = replace(make_route(10_000.0), tunnels=(TunnelSpan(name="", start_m=2_000.0, end_m=5_000.0),))
    inside = in_tunnels(route.distance_m, route.tunnels)
    cells = road_cells(
        route.distance_m,
        route.elevation_m,
        np.zeros(inside.size, dtype=int),
        route.lat_deg,
        route.lon_deg,
        on_deck=True,
        in_tunnel=inside,
    )
    assert cells.is_tunnel is not None
    assert (cells.is_tunnel[cells.column_of_sample] == inside).all()
    assert not (cells.is_tunnel & cells.is_deck).any()
