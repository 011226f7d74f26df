"""Tires in a driver's words, short enough for a text message and in GSM-7 characters only."""

from collections.abc import Iterable

from alertd.rules.rig import AxleRole, Rig, Tire


def tires_words(rig: Rig, tires: Iterable[Tire]) -> str:
    """A line to read: "4 drive: outside each side, both drive axles; trailer: 1 right outside, rear axle"."""
    parts = [
        (f"{n} {unit}: " if power else f"{unit}: {n} ") + pattern + (f", {axles}" if axles else "")
        for power, unit, axles, _, pattern, n in _runs(rig, tires)
    ]
    return "; ".join(parts) or "no tires"


def tires_code(rig: Rig, tires: Iterable[Tire]) -> str:
    """The same in the fewest words: "drive axle 1 all 4 + trailer rear outside duals"."""
    said: dict[str, list[str]] = {}
    for _, unit, _, axles, pattern, _ in _runs(rig, tires):
        # The outside tires of one axle's two pairs are its "outside duals" to a driver.
        brief = pattern.replace("outside each side", "outside duals").replace("inside each side", "inside duals")
        said.setdefault(unit, []).append(f"{axles} {brief}".strip())
    for kind, role in (("trailer", AxleRole.TRAILER), ("dolly", AxleRole.DOLLY)):
        alike = [unit for unit in said if unit.endswith(kind)]
        if 1 < len(alike) == len(_units(rig, role)) and all(said[u] == said[alike[0]] for u in alike):
            said = {(f"each {kind}" if u == alike[0] else u): how for u, how in said.items() if u not in alike[1:]}
    for dolly in ("each dolly", "dolly"):
        if dolly in said and said[dolly] == said.get("each trailer"):
            said = {("each trailer+dolly" if u == "each trailer" else u): how for u, how in said.items() if u != dolly}
    return " + ".join(f"{unit} {how}" for unit, hows in said.items() for how in hows) or "no tires"


def tires_detail(rig: Rig, tires: Iterable[Tire]) -> list[dict[str, str | int]]:
    """One record a tire, for JSON: axle numbers count from 1 at the steer axle, unit 0 is the power unit."""
    return [
        {
            "unit": rig.axles[t.axle_idx].unit,
            "axle": t.axle_idx + 1,
            "role": str(rig.axles[t.axle_idx].role),
            "side": t.side,
            "place": t.place,
        }
        for t in sorted(tires, key=rig.tires().index)
    ]


def _runs(rig: Rig, tires: Iterable[Tire]) -> list[tuple[bool, str, str, str, str, int]]:
    """(power unit?, unit, axles in words, axles in short, pattern, tires) for each run of axles chained alike."""
    by_axle: dict[int, list[Tire]] = {}
    for tire in sorted(tires, key=rig.tires().index):
        by_axle.setdefault(tire.axle_idx, []).append(tire)
    runs: list[tuple[str, str, list[int], int]] = []
    for axle_idx, chained in by_axle.items():
        unit, pattern = _unit_words(rig, axle_idx), _pattern(rig, chained)
        if runs and runs[-1][:2] == (unit, pattern):
            runs[-1] = (unit, pattern, [*runs[-1][2], axle_idx], runs[-1][3] + len(chained))
        else:
            runs.append((unit, pattern, [axle_idx], len(chained)))
    return [
        (rig.axles[axles[0]].unit == 0, unit, _axle_words(rig, axles), _axle_code(rig, axles), pattern, n)
        for unit, pattern, axles, n in runs
    ]


def _unit_words(rig: Rig, axle_idx: int) -> str:
    axle = rig.axles[axle_idx]
    if axle.unit == 0:
        return str(axle.role)
    name = "dolly" if axle.role is AxleRole.DOLLY else "trailer"
    # "2nd trailer", not "trailer 2": a number after the word reads as a count of tires.
    return name if len(_units(rig, axle.role)) == 1 else f"{('1st', '2nd', '3rd', '4th')[axle.unit - 1]} {name}"


def _units(rig: Rig, role: AxleRole) -> set[int]:
    """The units that have such an axle."""
    return {axle.unit for axle in rig.axles if axle.role is role}


def _pattern(rig: Rig, chained: list[Tire]) -> str:
    sides = {t.side for t in chained}
    places = {t.place for t in chained}
    if len(chained) == (4 if rig.axles[chained[0].axle_idx].dual else 2) and len(places - {"single"}) != 1:
        return "all 4" if len(chained) == 4 else "each side"
    if len(places) == 1 and len(sides) == 2:
        return f"{places.pop()} each side"
    return " and ".join(f"{t.side} {t.place}".replace(" single", "") for t in chained)


def _peers(rig: Rig, axle_idx: int) -> tuple[int, ...]:
    axle = rig.axles[axle_idx]
    return rig.axle_indices(axle.role, unit=axle.unit)


def _axle_words(rig: Rig, axles: list[int]) -> str:
    peers = _peers(rig, axles[0])
    role = "drive axle" if rig.axles[axles[0]].role is AxleRole.DRIVE else "axle"
    if len(peers) == 1:
        return ""
    if len(axles) == len(peers):
        return f"{'both' if len(peers) == 2 else 'all'} {role}s"
    if rig.axles[axles[0]].unit == 0:
        return _axle_code(rig, axles).replace("axle", role)
    return f"{_axle_code(rig, axles)} {role}" + ("s" if len(axles) > 1 else "")


def _axle_code(rig: Rig, axles: list[int]) -> str:
    peers = _peers(rig, axles[0])
    if len(peers) == 1:
        return ""
    if rig.axles[axles[0]].unit == 0:
        return ("axle " if len(axles) == 1 else "axles ") + "+".join(str(peers.index(a) + 1) for a in axles)
    if len(axles) == len(peers) > 2:
        return f"all {len(peers)} axles"
    return " and ".join(_along(peers, a) for a in axles)


def _along(peers: tuple[int, ...], axle_idx: int) -> str:
    return {peers[0]: "front", peers[-1]: "rear"}.get(axle_idx, f"no. {peers.index(axle_idx) + 1}")
