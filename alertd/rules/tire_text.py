"""Words sets of tires for drivers, short enough for a text message. English texts are GSM-7 only."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from alertd.i18n import ENGLISH, Translator, gettext_noop
from alertd.rules.rig import AxleRole, IdentityKey, Rig, Tire


@dataclass(frozen=True, slots=True, kw_only=True)
class TireRun:
    """Neighbouring axles of one unit with the same tires chained on each.

    unit: 0 for the power unit.
    role: for a towed unit, its dolly or its trailer.
    units_n: number of units of the rig with such axles.
    axles: axle numbers, counted from 1 among the axles of that role and unit.
    peers_n: number of axles of that role and unit.
    where: "all 4", "each side", "outside each side", "inside each side", or one text per tire, e.g. "right outside".
    tires_n: number of tires on all these axles together.
    """

    unit: int
    role: AxleRole
    units_n: int
    axles: tuple[int, ...]
    peers_n: int
    where: tuple[str, ...]
    tires_n: int


# Trucks of one kind share their words: few sets of tires are asked for.
_KEPT_WORDS: Final = 4096


def tire_runs(rig: Rig, tires: Iterable[Tire]) -> tuple[TireRun, ...]:
    """Runs of neighbouring axles with the same tires chained, front to rear."""
    return _tire_runs(IdentityKey(rig.nameless), tuple(tires))


@lru_cache(maxsize=_KEPT_WORDS)
def _tire_runs(kind: IdentityKey[Rig], tires: tuple[Tire, ...]) -> tuple[TireRun, ...]:
    rig = kind.value
    by_axle: dict[int, list[Tire]] = {}
    for tire in sorted(tires, key=rig.tires().index):
        by_axle.setdefault(tire.axle_idx, []).append(tire)
    runs: list[tuple[tuple[int, AxleRole, tuple[str, ...]], list[int], int]] = []
    for axle_idx, chained in by_axle.items():
        alike = (rig.axles[axle_idx].unit, _role(rig, axle_idx), _where(rig, chained))
        if runs and runs[-1][0] == alike:
            runs[-1] = (alike, [*runs[-1][1], axle_idx], runs[-1][2] + len(chained))
        else:
            runs.append((alike, [axle_idx], len(chained)))
    out = []
    for (unit, role, where), axles, tires_n in runs:
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


# Axles of the power unit: the only axle of its role, one of several, several of them.
_POWER: Final = {
    AxleRole.STEER: (gettext_noop("steer axle"), gettext_noop("steer axle {n}"), gettext_noop("steer axles {n}")),
    AxleRole.DRIVE: (gettext_noop("drive axle"), gettext_noop("drive axle {n}"), gettext_noop("drive axles {n}")),
    AxleRole.TAG: (gettext_noop("tag axle"), gettext_noop("tag axle {n}"), gettext_noop("tag axles {n}")),
}


# Drive axles by name, by their numbers among so many: a driver does not count axles.
_DRIVE: Final = {
    ((1,), 2): gettext_noop("front drive axle"),
    ((2,), 2): gettext_noop("rear drive axle"),
    ((1, 2), 2): gettext_noop("both drive axles"),
    ((1,), 3): gettext_noop("front drive axle"),
    ((2,), 3): gettext_noop("middle drive axle"),
    ((3,), 3): gettext_noop("rear drive axle"),
    ((1, 2), 3): gettext_noop("front+middle drive axles"),
    ((2, 3), 3): gettext_noop("middle+rear drive axles"),
    ((1, 2, 3), 3): gettext_noop("all drive axles"),
}


# After other axles of the same role: one, several. Languages that can omit the role here save its length.
_MORE: Final = {
    AxleRole.STEER: (gettext_noop("+ steer axle {n} {tires}"), gettext_noop("+ steer axles {n} {tires}")),
    AxleRole.DRIVE: (gettext_noop("+ drive axle {n} {tires}"), gettext_noop("+ drive axles {n} {tires}")),
    AxleRole.TAG: (gettext_noop("+ tag axle {n} {tires}"), gettext_noop("+ tag axles {n} {tires}")),
}


# The only unit of its kind, then by number. "2nd trailer", not "trailer 2", which would read as a number of tires.
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
    # Drivers call the outside tires of both pairs of an axle its "outside duals".
    "outside each side": gettext_noop("outside duals"),
    "inside each side": gettext_noop("inside duals"),
    "left": gettext_noop("left"),
    "right": gettext_noop("right"),
    "left outside": gettext_noop("left outside"),
    "right outside": gettext_noop("right outside"),
    "left inside": gettext_noop("left inside"),
    "right inside": gettext_noop("right inside"),
}


_PLAIN: Final = {
    "each side": "left and right",
    "outside each side": "outside dual left+right",
    "inside each side": "inside dual left+right",
}


def tires_line(rig: Rig, tires: Iterable[Tire]) -> str:
    """Tires as one line, for an office that may not know the trade's words.

    E.g. "4 drive: outside dual left+right, both drive axles; trailer: 1 right outside, rear axle".
    """
    return _tires_line(tire_runs(rig, tires))


@lru_cache(maxsize=_KEPT_WORDS)
def _tires_line(runs: tuple[TireRun, ...]) -> str:
    parts = []
    for run in runs:
        unit = str(run.role) if run.unit == 0 else _unit(run, ENGLISH)
        axles = _axle_words(run)
        lead = f"{run.tires_n} {unit}: " if run.unit == 0 else f"{unit}: {run.tires_n} "
        where = " and ".join(_PLAIN.get(word, word) for word in run.where)
        parts.append(lead + where + (f", {axles}" if axles else ""))
    return "; ".join(parts) or "no tires"


def tires_code(rig: Rig, tires: Iterable[Tire]) -> str:
    """Tires in the fewest words: "drive axle 1 all 4 + trailer rear outside duals"."""
    return _tires_code(tire_runs(rig, tires))


@lru_cache(maxsize=_KEPT_WORDS)
def _tires_code(runs: tuple[TireRun, ...]) -> str:
    return tires_short_text(runs, ENGLISH)


def tires_short_text(runs: Sequence[TireRun], translator: Translator) -> str:
    """Runs of tires in the fewest words of a language."""
    power = _power_text([run for run in runs if run.unit == 0], translator)
    towed = _towed_text([run for run in runs if run.unit], translator)
    return " + ".join([*power, *towed]) or translator.gettext("no tires")


def _power_text(runs: Sequence[TireRun], translator: Translator) -> list[str]:
    """One text for each role."""
    texts: dict[AxleRole, str] = {}
    for run in runs:
        axles, tires = "+".join(map(str, run.axles)), _joined(run.where, translator)
        if run.role in texts and _is_named(run):
            unit = _power_name(run, translator)
            more = translator.gettext("{unit} {tires}", unit=unit, tires=tires)
            texts[run.role] = translator.gettext("{axles} + {more}", axles=texts[run.role], more=more)
        elif run.role in texts:
            more = _MORE[run.role][len(run.axles) > 1]
            texts[run.role] = translator.gettext(
                "{axles} {more}", axles=texts[run.role], more=translator.gettext(more, n=axles, tires=tires)
            )
        else:
            unit = _power_name(run, translator)
            texts[run.role] = translator.gettext("{unit} {tires}", unit=unit, tires=tires)
    return list(texts.values())


def _is_named(run: TireRun) -> bool:
    return run.role is AxleRole.DRIVE and (run.axles, run.peers_n) in _DRIVE


def _power_name(run: TireRun, translator: Translator) -> str:
    """The name of a run's axles of the power unit."""
    if _is_named(run):
        return translator.gettext(_DRIVE[run.axles, run.peers_n])
    alone, one, several = _POWER[run.role]
    if run.peers_n == 1:
        return translator.gettext(alone)
    return translator.gettext(one if len(run.axles) == 1 else several, n="+".join(map(str, run.axles)))


def axle_name(rig: Rig, axle_idx: int) -> str:
    """The English name of one axle, as in the texts about its tires: "front drive axle", "2nd trailer rear axle"."""
    first = next(t for t in rig.tires() if t.axle_idx == axle_idx)
    (run,) = tire_runs(rig, [first])
    if run.unit == 0:
        return _power_name(run, ENGLISH)
    return " ".join(part for part in (_unit(run, ENGLISH), _towed_axles(run, ENGLISH), "axle") if part)


def _towed_text(runs: Sequence[TireRun], translator: Translator) -> list[str]:
    """One text for each unit and run of its axles; units with the same chains share a text."""
    texts: dict[str, list[tuple[str, str]]] = {}
    for run in runs:
        texts.setdefault(_unit(run, translator), []).append(
            (_towed_axles(run, translator), _joined(run.where, translator))
        )
    for role, each in ((role, translator.gettext(word)) for role, word in _EACH.items()):
        alike = list(dict.fromkeys(_unit(run, translator) for run in runs if run.role is role))
        units_n = max((run.units_n for run in runs if run.role is role), default=0)
        if 1 < len(alike) == units_n and all(texts[u] == texts[alike[0]] for u in alike):
            texts = {(each if u == alike[0] else u): how for u, how in texts.items() if u not in alike[1:]}
    trailer = translator.gettext(_EACH[AxleRole.TRAILER])
    for dolly in (translator.gettext(_EACH[AxleRole.DOLLY]), translator.gettext(_TOWED[AxleRole.DOLLY][0])):
        if dolly in texts and texts[dolly] == texts.get(trailer):
            both = translator.gettext("each trailer+dolly")
            texts = {(both if u == trailer else u): how for u, how in texts.items() if u != dolly}
    return [
        translator.gettext("{unit} {axles} {tires}", unit=unit, axles=axles, tires=tires)
        if axles
        else translator.gettext("{unit} {tires}", unit=unit, tires=tires)
        for unit, hows in texts.items()
        for axles, tires in hows
    ]


def tires_detail(rig: Rig, tires: Iterable[Tire]) -> list[dict[str, str | int]]:
    """One record per tire, for JSON: axle numbers count from 1 at the steer axle, unit 0 is the power unit."""
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
    text, *rest = (ends.get(axle) or translator.gettext("no. {n}", n=axle) for axle in run.axles)
    for axle in rest:
        text = translator.gettext("{axles} and {axle}", axles=text, axle=axle)
    return text


def _joined(where: Sequence[str], translator: Translator) -> str:
    """Text of the tires of one axle."""
    text, *rest = (translator.gettext(_WHERE[w]) for w in where)
    for tire in rest:
        text = translator.gettext("{tires} and {tire}", tires=text, tire=tire)
    return text


def _axle_words(run: TireRun) -> str:
    """Text of the axles of a run, in English."""
    role = "drive axle" if run.role is AxleRole.DRIVE else "axle"
    if run.peers_n == 1:
        return ""
    if len(run.axles) == run.peers_n:
        return f"{'both' if run.peers_n == 2 else 'all'} {role}s"
    if run.unit == 0:
        return _power_name(run, ENGLISH)
    return f"{_towed_axles(run, ENGLISH)} {role}" + ("s" if len(run.axles) > 1 else "")
