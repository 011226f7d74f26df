"""Enumerates the sets of tires that a placement allows on a given rig.

A set of tires is an int with one bit per tire, in the order of `tires_of`. Unions and subset tests are then single
operations, which keeps planning for a whole fleet cheap.
"""

from collections.abc import Iterable, Sequence
from itertools import combinations, groupby, product
from typing import Final

from alertd.rules.rig import AxleRole, Layout, Side, Tire, tires_of
from alertd.rules.ruleset import Demand, Placement

_ROLES: Final = {
    "drive": (AxleRole.DRIVE,),
    "steer": (AxleRole.STEER,),
    "tag": (AxleRole.TAG,),
    "trailer": (AxleRole.TRAILER,),
    "dolly": (AxleRole.DOLLY,),
    "trailer or dolly": (AxleRole.TRAILER, AxleRole.DOLLY),
}
_BOTH: Final[tuple[Side, Side]] = ("left", "right")


def choices(demand: Demand, rig: Layout) -> tuple[int, ...]:
    """Every minimal set of tires that meets the demand; (0,) when nothing is required."""
    return layout_choices(demand.layouts, rig)


def layout_choices(layouts: Iterable[Iterable[Placement]], rig: Layout) -> tuple[int, ...]:
    """Every minimal set of tires that meets any one of the layouts; (0,) when nothing is required."""
    index = {tire: i for i, tire in enumerate(tires_of(rig.axles))}
    masks: set[int] = set()
    for layout in layouts:
        masks |= unions([_placement_choices(p, rig, index) for p in layout])
    return minimal(masks)


def unions(parts: Iterable[Iterable[int]]) -> set[int]:
    """All unions of one choice from each part; only minimal ones are kept along the way."""
    combined: set[int] = {0}
    for part in parts:
        combined = set(minimal({a | b for a in combined for b in part}))
    return combined


def minimal(masks: Iterable[int]) -> tuple[int, ...]:
    """The sets that contain no other of the sets, smallest first."""
    kept: list[int] = []
    by_size = sorted(set(masks), key=lambda m: (m.bit_count(), m))
    for _, same_size in groupby(by_size, key=int.bit_count):
        # Sets of equal size never contain each other, and most laws allow only one size.
        smaller = tuple(kept)
        kept += [m for m in same_size if not any(m & k == k for k in smaller)]
    return tuple(kept)


def _placement_choices(p: Placement, rig: Layout, index: dict[Tire, int]) -> set[int]:
    groups = [g for g in (_axles(p, rig, unit) for unit in _units(p, rig)) if g]
    if not groups:
        return {0}
    parts = [_group_choices(p, group, rig, index) for group in groups]
    return set().union(*parts) if p.units == "any towed" else unions(parts)


def _units(p: Placement, rig: Layout) -> tuple[int, ...]:
    if p.units == "power":
        return (0,)
    towed = tuple(
        u for u in range(1, rig.towed_units + 1) if p.coupling in (None, _coupling(rig, u)) and _axles(p, rig, u)
    )
    return {"first towed": towed[:1], "later towed": towed[1:], "last towed": towed[-1:]}.get(p.units, towed)


def _coupling(rig: Layout, unit: int) -> str:
    return rig.couplings[unit - 1] if unit <= len(rig.couplings) else "fifth wheel"


def _axles(p: Placement, rig: Layout, unit: int) -> tuple[int, ...]:
    """The group's axles on one unit. A lift axle counts only where there is no other axle."""
    of_role = [i for i, a in enumerate(rig.axles) if a.unit == unit and a.role in _ROLES[p.group]]
    fixed = [i for i in of_role if not rig.axles[i].lift]
    return tuple(fixed or of_role) if p.skip_lift else tuple(of_role)


def _group_choices(p: Placement, group: Sequence[int], rig: Layout, index: dict[Tire, int]) -> set[int]:
    def mask(*tires: Tire) -> int:
        return sum(1 << index[t] for t in tires)

    def places(axle: int) -> tuple[str, ...]:
        if not rig.axles[axle].dual:
            return ("single",)
        return ("outside", "inside") if p.place == "either" else (p.place,)

    def one(axle: int, side: Side) -> list[int]:
        return [mask(Tire(axle, side, place)) for place in places(axle)]  # type: ignore[arg-type]

    def on_axle(axle: int) -> set[int]:
        match p.per_axle:
            case "all tires":
                return {mask(*(t for t in index if t.axle_idx == axle))}
            case "one tire":
                return {m for side in _BOTH for m in one(axle, side)}
            case _:  # same place left and right: a law that allows a mix allows this too, and mixes are not used
                return {a | b for a, b in zip(one(axle, "left"), one(axle, "right"), strict=True)}

    if p.total_tires is not None:
        rows = [mask(*(t for t in index if t[::2] == row)) for row in {t[::2] for t in index if t.axle_idx in group}]
        return {sum(rows_used) for rows_used in combinations(rows, min(len(rows), -(-p.total_tires // 2)))}
    pool = _pool(p, group)
    if p.per_axle == "staggered":
        return {a | b for i, j in product(pool, pool) for a in one(i, "left") for b in one(j, "right")}
    if p.per_axle == "diagonal" and len(pool) > 1:
        pairs = [(i, j) for i in pool for j in pool if i != j]
        return {a | b for i, j in pairs for a in one(i, "left") for b in one(j, "right")}
    required_n = {"two": 2, "all": len(pool)}.get(p.axles, 1)
    return set().union(
        *(unions([on_axle(axle) for axle in axles]) for axles in combinations(pool, min(required_n, len(pool))))
    )


def _pool(p: Placement, group: Sequence[int]) -> Sequence[int]:
    return {"primary": group[:1], "last": group[-1:], "one of last two": group[-2:]}.get(p.axles, group)
