"""Where a rig slips on a road, with or without chains: the friction that it needs against that of each pavement."""

from typing import Final, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.plan.cycle_caches import cached_in_cycle
from alertd.plan.road_ahead.pavement_codes import GRIP_OF_CODE, SURFACE_OF_CODE, Codes
from alertd.plan.road_ahead.sections import Sections
from alertd.road.friction import friction_mu, grip_margin
from alertd.rules.rig import AxleRole, IdentityKey, Rig, Tire

Array: TypeAlias = NDArray[np.float64]
Mask: TypeAlias = NDArray[np.bool_]

_ALL: Final = slice(None)


def short_of_grip(
    sections: Sections, rig: Rig, tires: tuple[Tire, ...], friction: IdentityKey[Array], code: Codes, here: slice = _ALL
) -> Mask:
    """True where the rig slips with these tires chained: uphill on its drive axles, downhill with every wheel braked.

    code: (member, section) or (member, section, hour) of the sections `here`.
    friction: each member's rank, (member,).

    Unknown grip is False here, because the unknown is counted separately.
    """
    table = _short_table(sections, IdentityKey(rig), tires, friction)[:, here]
    if code.ndim == 2:
        return np.take_along_axis(table, code[:, :, None].astype(np.intp), axis=2)[:, :, 0]
    return np.take_along_axis(table, code.astype(np.intp), axis=2)


@cached_in_cycle(256)
def _short_table(
    sections: Sections, rig: IdentityKey[Rig], tires: tuple[Tire, ...], friction: IdentityKey[Array]
) -> Mask:
    """(member, section, code): a section falls short where its steepest part does, in either direction."""
    mu = code_mu(np.arange(GRIP_OF_CODE.size), friction.value[:, None])  # (member, code)
    short = []
    for grade in (sections.up_grade, sections.down_grade):
        required_mu = -rig_margin(rig.value, tires, GRIP_OF_CODE[:, None], 0.0, grade)  # (code, section)
        with np.errstate(invalid="ignore"):
            short.append(mu[:, None, :] - required_mu.T[None, :, :] < 0.0)
    return np.asarray(short[0] | short[1])


def code_mu(code: NDArray[np.integer], friction: ArrayLike) -> Array:
    """Friction of tires without chains on pavement of these codes, at each member's rank; shapes broadcast."""
    return friction_mu(GRIP_OF_CODE[code], friction, SURFACE_OF_CODE[code])


def rig_margin(rig: Rig, tires: tuple[Tire, ...], road_class: ArrayLike, mu: ArrayLike, grade: ArrayLike) -> Array:
    """Available minus required friction with chains on these tires: to climb, or to hold a descent by braking."""
    margin = grip_margin(
        road_class,
        mu,
        grade,
        rig.drive_share,
        chained_drive_share=chained_share(rig, tires, (AxleRole.DRIVE,)),
        chained_share=chained_share(rig, tires, tuple(AxleRole)),
    )
    return np.where(np.asarray(grade) > 0, margin.drive, margin.brake)


def chained_share(rig: Rig, tires: tuple[Tire, ...], roles: tuple[AxleRole, ...]) -> float:
    """Share of the gross load on chained tires of axles with one of these roles."""
    gross = sum(a.load_kg for a in rig.axles)
    load = 0.0
    for tire in tires:
        axle = rig.axles[tire.axle_idx]
        if axle.role in roles:
            load += axle.load_kg / (4.0 if axle.dual else 2.0)
    return load / gross
