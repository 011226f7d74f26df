"""Tires in a driver's words, short enough for a text message; in English in GSM-7 characters only."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from alertd.i18n import ENGLISH, Translator, gettext_noop
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


# Axles of the power unit: the only one of its role, one of several, several of them.
_POWER: Final = {
    AxleRole.STEER: (gettext_noop("steer"), gettext_noop("steer axle {n}"), gettext_noop("steer axles {n}")),
    AxleRole.DRIVE: (gettext_noop("drive"), gettext_noop("drive axle {n}"), gettext_noop("drive axles {n}")),
    AxleRole.TAG: (gettext_noop("tag"), gettext_noop("tag axle {n}"), gettext_noop("tag axles {n}")),
}


# Behind other axles of the same role: one, several. Languages that can leave the role unsaid here save its length.
_MORE: Final = {
    AxleRole.STEER: (gettext_noop("+ steer axle {n} {tires}"), gettext_noop("+ steer axles {n} {tires}")),
    AxleRole.DRIVE: (gettext_noop("+ drive axle {n} {tires}"), gettext_noop("+ drive axles {n} {tires}")),
    AxleRole.TAG: (gettext_noop("+ tag axle {n} {tires}"), gettext_noop("+ tag axles {n} {tires}")),
}


# The only unit of its kind, then by number. "2nd trailer", not "trailer 2": a number after the word reads as a count of
# tires.
_TOWED: Final = {
    AxleRole.TRAILER: (
        gettext_noop("trailer"), gettext_noop("1st trailer"), gettext_noop("2nd trailer"), gettext_noop("3rd trailer"),
        gettext_noop("4th trailer"),
    ),
    AxleRole.DOLLY: (
        gettext_noop("dolly"), gettext_noop("1st dolly"), gettext_noop("2nd dolly"), gettext_noop("3rd dolly"),
        gettext_noop("4th dolly"),
    ),
}  # fmt: skip


_EACH: Final = {AxleRole.TRAILER: gettext_noop("each trailer"), AxleRole.DOLLY: gettext_noop("each dolly")}


_WHERE: Final = {
    "all 4": gettext_noop("all 4"),
    "each side": gettext_noop("each side"),
    # The outside tires of one axle's two pairs are its "outside duals" to a driver.
    "outside each side": gettext_noop("outside duals"),
    "inside each side": gettext_noop("inside duals"),
    "left": gettext_noop("left"),
    "right": gettext_noop("right"),
    "left outside": gettext_noop("left outside"),
    "right outside": gettext_noop("right outside"),
    "left inside": gettext_noop("left inside"),
    "right inside": gettext_noop("right inside"),
}


def tires_line(rig: Rig, tires: Iterable[Tire]) -> str:
    """A line to read: "4 drive: outside each side, both drive axles; trailer: 1 right outside, rear axle"."""
    parts = []
    for run in tire_runs(rig, tires):
        unit, axles = _unit(run, ENGLISH), _axle_words(run)
        lead = f"{run.tires_n} {unit}: " if run.unit == 0 else f"{unit}: {run.tires_n} "
        parts.append(lead + " and ".join(run.where) + (f", {axles}" if axles else ""))
    return "; ".join(parts) or "no tires"


def tires_code(rig: Rig, tires: Iterable[Tire]) -> str:
    """The same in the fewest words: "drive axle 1 all 4 + trailer rear outside duals"."""
    return tires_short_text(tire_runs(rig, tires), ENGLISH)


def tires_short_text(runs: Sequence[TireRun], translator: Translator) -> str:
    """Runs of tires in the fewest words of a language."""
    power = _power_text([run for run in runs if run.unit == 0], translator)
    towed = _towed_text([run for run in runs if run.unit], translator)
    return " + ".join([*power, *towed]) or translator.gettext("no tires")


def _power_text(runs: Sequence[TireRun], translator: Translator) -> list[str]:
    """A text for each role."""
    said: dict[AxleRole, str] = {}
    for run in runs:
        axles, tires = "+".join(map(str, run.axles)), _joined(run.where, translator)
        alone, one, several = _POWER[run.role]
        if run.role in said:
            more = _MORE[run.role][len(run.axles) > 1]
            said[run.role] = translator.gettext(
                "{axles} {more}", axles=said[run.role], more=translator.gettext(more, n=axles, tires=tires)
            )
        else:
            unit = (
                translator.gettext(alone)
                if run.peers_n == 1
                else translator.gettext(one if len(run.axles) == 1 else several, n=axles)
            )
            said[run.role] = translator.gettext("{unit} {tires}", unit=unit, tires=tires)
    return list(said.values())


def _towed_text(runs: Sequence[TireRun], translator: Translator) -> list[str]:
    """A text for each unit and each run of its axles; units chained alike in one."""
    said: dict[str, list[tuple[str, str]]] = {}
    for run in runs:
        said.setdefault(_unit(run, translator), []).append(
            (_towed_axles(run, translator), _joined(run.where, translator))
        )
    for role, each in ((role, translator.gettext(word)) for role, word in _EACH.items()):
        alike = list(dict.fromkeys(_unit(run, translator) for run in runs if run.role is role))
        units_n = max((run.units_n for run in runs if run.role is role), default=0)
        if 1 < len(alike) == units_n and all(said[u] == said[alike[0]] for u in alike):
            said = {(each if u == alike[0] else u): how for u, how in said.items() if u not in alike[1:]}
    trailer = translator.gettext(_EACH[AxleRole.TRAILER])
    for dolly in (translator.gettext(_EACH[AxleRole.DOLLY]), translator.gettext(_TOWED[AxleRole.DOLLY][0])):
        if dolly in said and said[dolly] == said.get(trailer):
            both = translator.gettext("each trailer+dolly")
            said = {(both if u == trailer else u): how for u, how in said.items() if u != dolly}
    return [
        translator.gettext("{unit} {axles} {tires}", unit=unit, axles=axles, tires=tires)
        if axles
        else translator.gettext("{unit} {tires}", unit=unit, tires=tires)
        for unit, hows in said.items()
        for axles, tires in hows
    ]


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


def _unit(run: TireRun, translator: Translator) -> str:
    if run.unit == 0:
        return translator.gettext(_POWER[run.role][0])
    return translator.gettext(_TOWED[run.role][run.unit if run.units_n > 1 else 0])


def _towed_axles(run: TireRun, translator: Translator) -> str:
    if run.peers_n == 1:
        return ""
    if len(run.axles) == run.peers_n > 2:
        return translator.gettext("all {n} axles", n=run.peers_n)
    ends = {1: translator.gettext("front"), run.peers_n: translator.gettext("rear")}
    said, *rest = (ends.get(axle) or translator.gettext("no. {n}", n=axle) for axle in run.axles)
    for axle in rest:
        said = translator.gettext("{axles} and {axle}", axles=said, axle=axle)
    return said


def _joined(where: Sequence[str], translator: Translator) -> str:
    """Tires of one axle."""
    said, *rest = (translator.gettext(_WHERE[w]) for w in where)
    for tire in rest:
        said = translator.gettext("{tires} and {tire}", tires=said, tire=tire)
    return said


def _axle_words(run: TireRun) -> str:
    """The axles in a line to read, in English."""
    role = "drive axle" if run.role is AxleRole.DRIVE else "axle"
    if run.peers_n == 1:
        return ""
    if len(run.axles) == run.peers_n:
        return f"{'both' if run.peers_n == 2 else 'all'} {role}s"
    if run.unit == 0:
        return f"{role}{'s' if len(run.axles) > 1 else ''} {'+'.join(map(str, run.axles))}"
    return f"{_towed_axles(run, ENGLISH)} {role}" + ("s" if len(run.axles) > 1 else "")
