"""Tires to chain as runs of axles chained alike, before any language puts them into words."""

from collections.abc import Iterable
from dataclasses import dataclass

from alertd.rules.rig import AxleRole, Rig, Tire


@dataclass(frozen=True, slots=True, kw_only=True)
class TireRun:
    """Neighbouring axles of one unit with the same tires chained on each.

    unit: 0 the power unit. role: a towed unit's axles are of its dolly or its trailer. units_n: how many units of the
    rig have such axles. axles: which, counted from 1 among the axles of that role and unit, of which there are peers_n.
    where: "all 4", "each side", "outside each side", "inside each side", or one word a tire, e.g. "right outside".
    tires_n: on all these axles together.
    """

    unit: int
    role: AxleRole
    units_n: int
    axles: tuple[int, ...]
    peers_n: int
    where: tuple[str, ...]
    tires_n: int


def tire_runs(rig: Rig, tires: Iterable[Tire]) -> tuple[TireRun, ...]:
    by_axle: dict[int, list[Tire]] = {}
    for tire in sorted(tires, key=rig.tires().index):
        by_axle.setdefault(tire.axle_idx, []).append(tire)
    found: list[tuple[tuple[int, AxleRole, tuple[str, ...]], list[int], int]] = []
    for axle_idx, chained in by_axle.items():
        alike = (rig.axles[axle_idx].unit, _role(rig, axle_idx), _where(rig, chained))
        if found and found[-1][0] == alike:
            found[-1] = (alike, [*found[-1][1], axle_idx], found[-1][2] + len(chained))
        else:
            found.append((alike, [axle_idx], len(chained)))
    out = []
    for (unit, role, where), axles, tires_n in found:
        peers = rig.axle_indices(rig.axles[axles[0]].role, unit=unit)
        out.append(
            TireRun(
                unit=unit,
                role=role,
                units_n=len({a.unit for a in rig.axles if a.role is rig.axles[axles[0]].role}),
                axles=tuple(peers.index(a) + 1 for a in axles),
                peers_n=len(peers),
                where=where,
                tires_n=tires_n,
            )
        )
    return tuple(out)


def _role(rig: Rig, axle_idx: int) -> AxleRole:
    axle = rig.axles[axle_idx]
    if axle.unit == 0 or axle.role is AxleRole.DOLLY:
        return axle.role
    return AxleRole.TRAILER


def _where(rig: Rig, chained: list[Tire]) -> tuple[str, ...]:
    sides = {t.side for t in chained}
    places = {t.place for t in chained}
    if len(chained) == (4 if rig.axles[chained[0].axle_idx].dual else 2) and len(places - {"single"}) != 1:
        return ("all 4",) if len(chained) == 4 else ("each side",)
    if len(places) == 1 and len(sides) == 2:
        return (f"{places.pop()} each side",)
    return tuple(f"{t.side} {t.place}".replace(" single", "") for t in chained)
