"""Words the law on a trip: the border strip for the driver, and the officer's sheet of one land."""

from collections.abc import Sequence
from typing import Final

from alertd.i18n import ENGLISH, Translator, gettext_noop
from alertd.notices.text import phrases
from alertd.plan.model.law import DutyNote, LandLaw, TireOwed
from alertd.plan.model.plan import Plan

_ON: Final = {
    "posted": gettext_noop("chain {power} tractor + {towed} trailer tires: posted"),
    "expected": gettext_noop("chain {power} tractor + {towed} trailer tires: expected to be posted"),
    "if posted": gettext_noop("chain up to {power} tractor + {towed} trailer tires if posted"),
}
_SURE: Final = {
    "statute": "statute read", "agency": "agency page read", "secondary": "press or trade page",
    "memory": "FROM MEMORY", "doubt": "IN DOUBT: stricter reading",
}  # fmt: skip
_HEADS: Final = {
    "ban": "chains forbidden", "restriction": "restriction", "winter tires": "winter tires",
    "winter tires met": "winter tires", "speed": "speed", "removal": "chains off", "exemption": "exempt",
    "turn round": "turn round", "fine": "fine", "note": "note",
}  # fmt: skip
SHEET_KINDS: Final = tuple(_HEADS)


def strip_lines(plan: Plan, translator: Translator = ENGLISH) -> list[str]:
    """Return one line for each land on the way: chains aboard, tires on, and where the duty to carry ends."""
    return [line for n, land in enumerate(plan.law) for line in _strip(land, translator, first=n == 0)]


def _strip(land: LandLaw, translator: Translator, *, first: bool) -> list[str]:
    if first:
        head = translator.gettext("Now, {land}", land=land.name)
    else:
        where = phrases.trip_distance(land.start_m, translator)
        when = phrases.clock_time(land.enter_at, land.zone)
        head = translator.gettext("At the {land} line, {where}, {when}", land=land.name, where=where, when=when)
    parts = [_aboard(land, translator), _on(land, translator)]
    lines = [f"{head}: {'; '.join(filter(None, parts))}."]
    if land.carry_to_m is not None and land.carry_from_m is not None and land.aboard_n:
        ends = phrases.trip_distance(land.carry_to_m, translator)
        named = f" ({land.carry_ends})" if land.carry_ends else ""
        if land.carry_from_m > land.start_m + 1_000.0:
            begins = phrases.trip_distance(land.carry_from_m, translator)
            text = translator.gettext("Chains must be aboard from {begins} to {ends}", begins=begins, ends=ends)
        else:
            text = translator.gettext("Chains must be aboard until {ends}", ends=ends)
        lines.append(f"{text}{named}.")
    return lines


def _aboard(land: LandLaw, translator: Translator) -> str:
    if not land.aboard_n and land.aboard_maybe_n:
        return translator.gettext("{n} must be aboard on listed roads that our map lacks", n=land.aboard_maybe_n)
    if not land.aboard_n:
        return translator.gettext("no duty to carry on file") if land.known else ""
    text = translator.ngettext("{n} chain must be aboard", "{n} chains must be aboard", land.aboard_n)
    if land.aboard_short:
        text += ", " + translator.ngettext("{n} SHORT", "{n} SHORT", land.aboard_short)
    return text


def _on(land: LandLaw, translator: Translator) -> str:
    if land.barred:
        return translator.gettext("rig may be barred")
    tires = {"power": land.power_n, "towed": land.towed_n}
    if not land.known:
        on = translator.gettext("no rule on file, be ready for {power} tractor + {towed} trailer tires", **tires)
    elif not land.level_id:
        return translator.gettext("no chain rule on file for this rig")
    else:
        on = translator.gettext(_ON[land.basis], **tires)
    if land.practice and land.by_law_n is not None:
        on += " (" + translator.gettext("company practice; the law asks {n}", n=land.by_law_n) + ")"
    return on


def law_change_lines(plans: Sequence[Plan]) -> list[str]:
    """Return one line for each near change of a law, with the rigs that owe more or fewer."""
    rigs: dict[str, list[str]] = {}
    for plan in plans:
        for c in plan.law_changes:
            what = f"{c.name}, from {c.since.isoformat()}: {c.where}: {c.after}, before {c.before}"
            names = rigs.setdefault(what, [])
            if plan.rig_name not in names:
                names.append(plan.rig_name)
    return [f"{what} ({', '.join(names)})" for what, names in rigs.items()]


def grave_duties(plan: Plan) -> list[str]:
    """Return the duties that bar the rig or forbid chains, in English."""
    return [f"{land.name}: {d.text}" for land in plan.law for d in land.duties if d.grave]


def other_duties(plan: Plan) -> list[str]:
    """Return what the law on the way asks for besides chains and bars nobody, e.g. winter tires, in English."""
    return list(dict.fromkeys(f"{land.name}: {d.text}" for land, d in _asked(plan)))


def other_duties_words(plan: Plan, translator: Translator = ENGLISH) -> str:
    """Return the same in a sentence for a driver whose trip asks for no chains; "" where the law asks for nothing."""
    tires = dict.fromkeys(land.name for land, d in _asked(plan) if d.kind == "winter tires")
    others = dict.fromkeys(land.name for land, d in _asked(plan) if d.kind == "restriction" and land.name not in tires)
    out = []
    if tires:
        out.append(translator.gettext("Winter tires are law in {lands}.", lands=", ".join(tires)))
    if others:
        out.append(translator.gettext("Other winter law in {lands}: ask dispatch.", lands=", ".join(others)))
    return " ".join(out)


def _asked(plan: Plan) -> list[tuple[LandLaw, DutyNote]]:
    return [(x, d) for x in plan.law for d in x.duties if d.kind in ("winter tires", "restriction") and not d.grave]


def sheet_rows(land: LandLaw) -> list[tuple[str, str]]:
    """Return (label, text) of the officer's sheet of one land, in English, as the law is cited."""
    rows = [("BARRED", land.barred)]
    if not land.known:
        rows.append(("law", "NO RULE ON FILE: look at the signs, ask the road authority"))
    rows += [*_aboard_rows(land), *_level_rows(land)]
    if land.practice:
        law_n = "" if land.by_law_n is None else f"; the law asks {land.by_law_n} tires"
        rows.append(("company", f"company practice, not law: {land.practice}{law_n}"))
    rows += [("in doubt", land.doubt), *(("known", doubt) for doubt in land.clause_doubts)]
    rows.append(("devices", "; ".join(land.devices) if land.tires else ""))
    for duty in land.duties:
        sure = f" ({duty.section}; {_SURE.get(duty.confidence, 'read')})" if duty.section else ""
        rows.append((_HEADS[duty.kind].upper() if duty.grave else _HEADS[duty.kind], f"{duty.text}{sure}"))
    rows.append(("last stop", f"{land.last_stop}: the last listed stop before it" if land.last_stop else ""))
    return [(label, text) for label, text in rows if text]


def _aboard_rows(land: LandLaw) -> list[tuple[str, str]]:
    if land.aboard_n:
        short = f", {land.aboard_short} SHORT" if land.aboard_short else ""
        return [("aboard", f"{land.aboard_n} single chains{short}. {land.carry_section}")]
    maybe = f"{land.aboard_maybe_n} single chains on listed roads that our map lacks" if land.aboard_maybe_n else ""
    return [("aboard", maybe)]


def _level_rows(land: LandLaw) -> list[tuple[str, str]]:
    """The level, each tire that is owed with its section, and the clause."""
    basis = {"posted": "posted now", "expected": "expected to be posted: our estimate", "if posted": "if posted"}
    if not land.level_name:
        return [("level", "no level on file asks this rig for chains; obey what is posted")]
    return [
        ("level", f"{land.level_name} ({basis[land.basis]})"),
        ("tires", f"{land.power_n} + {land.towed_n}: {land.tires_words or 'none'}"),
        *(("", tire_words(tire)) for tire in land.tires),
        ("clause", f"{land.section or 'none'} ({_SURE.get(land.confidence, land.confidence)})"),
    ]


def tire_words(tire: TireOwed) -> str:
    """Return one tire with the sections that ask for it, e.g. "axle 2, drive, left outside: RCW 47.36.250"."""
    unit = "" if tire.unit == 0 else f", unit {tire.unit + 1}"
    place = "" if tire.place == "single" else f" {tire.place}"
    because = f": {'; '.join(tire.sections)}" if tire.sections else ""
    return f"axle {tire.axle}, {tire.role}{unit}, {tire.side}{place}{because}"
