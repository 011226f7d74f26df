"""How a road is cleared: ploughs, salt and traffic by class of road and hour, and what is the same for nobody.

A serviced road is halved of its snow in a time by its class. The times follow the targets of a state with four classes
of winter service: hours after the end of a storm in which a bare lane is regained (Minnesota DOT snow and ice manual,
from memory: rural commuter 4-9 h, primary 6-12 h, secondary 9-36 h). From 5 mm w.e. to the limit of the class snow,
0.3 mm, are four halvings, so the half-life is a quarter of the middle of each range.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from alertd.road.energy_balance import SurfaceState
from alertd.road.humidity import Array
from alertd.road.nearby import StartReadings
from alertd.road.parameters import SurfaceParams
from alertd.units import HOUR_S

# Freezing rain that a source reports, by its rate, glazes a road below this temperature in this share of members [A].
GLAZES_FROM_MMWE_H: Final = 0.02  # an hour of it is as much as counts as glaze, `ClassLimits.rime_mmwe`
GLAZES_BELOW_C: Final = 1.0
GLAZES_FRAC: Final = 0.6
# That glaze stays while the road is below that temperature, for at most this time after the rain [A].
GLAZE_STAYS_H: Final = 12
SALT_C: Final = -9.0  # [A] common practice, no source: salt works down to about 15 °F
PACKED_FACTOR: Final = 2.0  # [A] a blade rides over packed snow; salt and the next passes remove it more slowly
NIGHT_FROM_H, NIGHT_TO_H = 22.0, 5.0  # [A] local solar hours with fewer passes of the plough


@dataclass(frozen=True, slots=True, kw_only=True)
class Service:
    """Winter maintenance of a road. [A] marks an assumption.

    serviced_frac: [A] probability that the road is cleared at all, as a share of the members.
    half_life_h: time in which ploughs and salt halve the loose snow and the refrozen melt; by the targets of a state
        for primary roads (from memory), see above.
    night_factor: [A] factor on it at night.
    traffic_vph: [A] vehicles per hour that pack and throw off snow while it is cleared.
    """

    serviced_frac: float = 0.7
    half_life_h: float = 2.25
    night_factor: float = 1.5
    traffic_vph: float = 100.0


# Share of the uncleared roads with old snow at the start of the known past [A]: two dry days in the cold do not melt
# it, but it is not there every time.
OLD_SNOW_FRAC: Final = 1.0 / 3.0

# [A] Shares, half-lives and traffic by class; the half-lives follow a state's targets for a bare lane, from memory.
SERVICES: Final[Mapping[str, Service]] = {
    "motorway": Service(serviced_frac=0.8, half_life_h=1.6, night_factor=1.0, traffic_vph=300.0),
    "trunk": Service(),
    "secondary": Service(serviced_frac=0.5, half_life_h=5.6, night_factor=2.0, traffic_vph=30.0),
    "none": Service(serviced_frac=0.0),
}
SERVICE: Final = SERVICES["trunk"]  # [A] where the operator names no class


@dataclass(frozen=True, slots=True, kw_only=True)
class Services:
    """The maintenance of all roads: `usual`, unless the operator names another for a route."""

    usual: Service = SERVICE
    by_route: Mapping[str, Service] = field(default_factory=dict)

    def of(self, route_name: str) -> Service:
        """The maintenance of a route."""
        return self.by_route.get(route_name, self.usual)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LaneTraits:
    """What distinguishes the columns' members, (column,).

    serviced: the road is cleared.
    glazes: freezing rain glazes a road that the model has just above 0 °C.
    wetted: melt-water of the roadside snow runs over the lane.
    old_snow: `ClassLimits.unseen_snow_mmwe` of old snow lies on the lane as the known past begins.
    snow_beside: as much loose snow lies beside it then.
    kept_frac: (hour, column) share of loose snow and refrozen melt that ploughs and salt leave after each hour.
    readings: of road sensors, None without any.
    """

    serviced: NDArray[np.bool_]
    glazes: NDArray[np.bool_]
    wetted: NDArray[np.bool_]
    old_snow: NDArray[np.bool_]
    snow_beside: NDArray[np.bool_]
    kept_frac: Array
    readings: StartReadings | None = None


def serviced(state: SurfaceState, kept_frac: Array) -> SurfaceState:
    """The state after an hour of ploughs and salt, which leave (column,) `kept_frac` of snow and plain ice.

    Packed snow goes `PACKED_FACTOR` times more slowly. Glaze stays, and so does plain ice on a road colder than SALT_C.
    """
    salted = np.where(state.surface_temp_c > SALT_C, kept_frac, 1.0)
    plain = state.ice_mmwe - state.packed_mmwe - state.glaze_mmwe
    packed = state.packed_mmwe * kept_frac ** (1.0 / PACKED_FACTOR)
    return state._replace(
        snow_mmwe=state.snow_mmwe * kept_frac,
        packed_mmwe=packed,
        hoar_mmwe=state.hoar_mmwe * salted,
        ice_mmwe=state.glaze_mmwe + packed + np.maximum(plain, 0.0) * salted,
    )


def kept_an_hour(service: Service, first_epoch_s: float, hours: int, lon_deg: Array) -> Array:
    """(hour, place): share of loose snow that ploughs and salt leave after each hour of a window."""
    begins_h = first_epoch_s / HOUR_S + np.arange(hours, dtype=np.float64)[:, None] + 0.5
    local_h = (begins_h + lon_deg[None, :] / 15.0) % 24.0
    night = (local_h >= NIGHT_FROM_H) | (local_h < NIGHT_TO_H)
    half_life_h = service.half_life_h * np.where(night, service.night_factor, 1.0)
    return np.asarray(0.5 ** (1.0 / half_life_h))


def has_old_snow(service_rank: Array, service: Service) -> NDArray[np.bool_]:
    """(member,): True for a share of the members whose road nobody clears, those of the highest ranks."""
    return np.asarray(service_rank >= 1.0 - OLD_SNOW_FRAC * (1.0 - service.serviced_frac))


def has_snow_beside(rank: Array, old_snow: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(member,): True for a share OLD_SNOW_FRAC of the members, whoever clears the road, and where old snow lies on it.

    What ploughs threw beside a cleared road in the days before is as old as what lies on a road that nobody clears.
    """
    return np.asarray((rank >= 1.0 - OLD_SNOW_FRAC) | old_snow)


def glazes_above_zero(rank: Array, params: SurfaceParams) -> NDArray[np.bool_]:
    """(member,): True for the share of members whose road glazes just above 0 °C; for a deck all of them.

    A source that reports freezing rain knows of cold ground. The model's ground may be a degree too warm.
    """
    return np.asarray((rank < GLAZES_FRAC) | (params.underside_wm2k > 0.0))
