"""Finds bridges whose deck may be icy or white while the road beside it is not."""

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Final

import numpy as np

from alertd.i18n import odds
from alertd.plan.chain_up.solution import Solution
from alertd.plan.model.notes import BridgeNote
from alertd.plan.params import PlanParams
from alertd.plan.road_ahead.chain_need import SAME_PROBABILITY
from alertd.road.road_class import WINTER_CLASSES, WORDS, RoadClass
from alertd.route.bridges import on_bridges
from alertd.route.model import zone_at

MAX_LINES: Final = 3
_WORDS: Final = {road_class.label: word for road_class, word in WORDS.items()}


def bridge_notes(solution: Solution, depart_epoch_s: float, params: PlanParams) -> tuple[BridgeNote, ...]:
    """One note for each bridge that is wintry in enough members where the road beside it is not, in order."""
    route = solution.sections.route
    if not route.bridges:
        return ()
    deck, beside = solution.road_class, solution.encounter.beside_class
    alone = np.isin(deck, WINTER_CLASSES) & ~np.isin(beside, WINTER_CLASSES)
    notes = []
    for bridge in route.bridges:
        samples = on_bridges(route.distance_m, (bridge,))
        deck_sections, first = np.flatnonzero(solution.sections.any(samples)), int(np.argmax(samples))
        probability = float(alone[:, deck_sections].any(axis=1).mean())
        if probability < params.ready_probability - SAME_PROBABILITY:
            continue
        shares = {c: float((alone & (deck == c))[:, deck_sections].any(axis=1).mean()) for c in WINTER_CLASSES}
        at_epoch_s = depart_epoch_s + float(solution.reach_s(bridge.start_m))
        notes.append(
            BridgeNote(
                name=bridge.name,
                start_m=bridge.start_m,
                end_m=bridge.end_m,
                zone=zone_at(float(route.lat_deg[first]), float(route.lon_deg[first])),
                arrive_at=datetime.fromtimestamp(round(at_epoch_s), UTC),
                probability=probability,
                surfaces=tuple((c.label, shares[c]) for c in sorted(shares, key=lambda c: -shares[c]) if shares[c] > 0),
                road_unknown=bool((alone & (beside == RoadClass.UNKNOWN))[:, deck_sections].any()),
            )
        )
    return tuple(notes)


def bridge_cautions(notes: Sequence[BridgeNote]) -> list[str]:
    """Lines on the likely state of decks, its probability, and the road beside them: one each, or one for many."""
    if len(notes) <= MAX_LINES:
        return [_line(f"Bridge deck {_where(n)} may carry {_carried([n])} ({_odds(n)})", [n]) for n in notes]
    likeliest = sorted(notes, key=lambda n: -n.probability)[:MAX_LINES]
    named = ", ".join(f"{_where(n)} ({_odds(n)})" for n in likeliest)
    return [_line(f"Bridge decks may carry {_carried(notes)} on {len(notes)} bridges, likeliest {named},", notes)]


def _line(what: str, notes: Sequence[BridgeNote]) -> str:
    unknown = " or is not known" if any(n.road_unknown for n in notes) else ""
    each = "it" if len(notes) == 1 else "each"
    return f"{what} while the road beside does not{unknown}: slow down before {each}"


def _where(note: BridgeNote) -> str:
    return note.name or f"at km {note.start_m / 1000:.1f}"


def _odds(note: BridgeNote) -> str:
    return odds(note.probability)


def _carried(notes: Sequence[BridgeNote]) -> str:
    """The two likeliest winter classes, in a driver's words."""
    shares: dict[str, float] = {}
    for name, share in (surface for n in notes for surface in n.surfaces):
        shares[name] = max(share, shares.get(name, 0.0))
    return " or ".join(_WORDS[name] for name in sorted(shares, key=lambda name: -shares[name])[:2])
