"""Checklists of the work with chains, by moment, short enough for gloves and dark. Common practice, no source."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from alertd.i18n import Translator, gettext_noop
from alertd.notices.text.driver_parts import chain_up_steps


class Moment(StrEnum):
    """A moment of the work."""

    LOADING = "loading"
    HANGING = "hanging"
    RECHECK = "recheck"
    DRIVING = "driving"
    REMOVING = "removing"
    RACK = "rack"


@dataclass(frozen=True, slots=True, kw_only=True)
class Checklist:
    """One moment's title and lines, in the driver's language. now: it is the driver's list of this moment."""

    moment: Moment
    title: str
    lines: tuple[str, ...]
    now: bool = False


_TITLES: Final = {
    Moment.LOADING: gettext_noop("Before you leave: load"),
    Moment.HANGING: gettext_noop("At the chain-up place"),
    Moment.RECHECK: gettext_noop("Recheck after a short run"),
    Moment.DRIVING: gettext_noop("Driving chained"),
    Moment.REMOVING: gettext_noop("Taking off and stowing"),
    Moment.RACK: gettext_noop("At every stop: chains on the rack"),
}
_LINES: Final = {
    Moment.RECHECK: (
        gettext_noop("Off the road, four-ways on, brakes set."),
        gettext_noop("Slack out, every cam tight, hooks off the cams."),
        gettext_noop("Tensioners whole, none lost."),
        gettext_noop("Nothing touches an air line, a mud flap or a fender."),
    ),
    Moment.DRIVING: (
        gettext_noop("Snow or ice: never above 30 mph (48 km/h). Bare road: at most 20 mph (32 km/h)."),
        gettext_noop("No hard braking, no spinning: a spun chain breaks."),
        gettext_noop("A new knock: stop at the next safe place and look."),
        gettext_noop("Long bare road ahead and no sign: take them off at a safe place."),
    ),
    Moment.REMOVING: (
        gettext_noop("Off the traffic side, four-ways on, brakes set, wheels chocked."),
        gettext_noop("Tensioners off, cams open, unhook inside first."),
        gettext_noop("Lay them flat, roll off, shake the ice out."),
        gettext_noop("Hang them with the cams down; nothing hangs below the rack."),
        gettext_noop("Racks latched and locked, tools counted, chocks in."),
        gettext_noop("Leave the place clean: no wire, no broken links."),
    ),
    Moment.RACK: (
        gettext_noop("Look at the hangers: latched, nothing loose or dragging."),
        gettext_noop("Chains settle: lift what hangs low."),
        gettext_noop("Padlocks free of ice, tools in their place."),
    ),
}


def checklists(current: Sequence[Moment], loading: Sequence[str], translator: Translator) -> tuple[Checklist, ...]:
    """Return all lists, those of this moment first. loading: the lines of the loading list."""
    order = [*current, *(m for m in Moment if m not in current)]
    return tuple(
        Checklist(
            moment=moment,
            title=translator.gettext(_TITLES[moment]),
            lines=_lines(moment, loading, translator),
            now=moment in current,
        )
        for moment in order
    )


def _lines(moment: Moment, loading: Sequence[str], translator: Translator) -> tuple[str, ...]:
    if moment is Moment.LOADING:
        return tuple(loading)
    if moment is Moment.HANGING:
        return chain_up_steps(translator)
    return tuple(translator.gettext(line) for line in _LINES[moment])


def current_moments(
    *, leaves: bool, hanging: bool, removing: bool, chained: bool, needs_chains: bool
) -> tuple[Moment, ...]:
    """Return the lists that a driver needs now.

    leaves: the truck has not left. needs_chains: a chain-up is ahead.
    """
    if removing:
        return (Moment.REMOVING,)
    if hanging:
        return (Moment.HANGING,)
    if chained:
        return (Moment.RECHECK, Moment.DRIVING, Moment.REMOVING)
    if leaves:
        return (Moment.LOADING,)
    return (Moment.HANGING, Moment.RACK) if needs_chains else (Moment.RACK,)
