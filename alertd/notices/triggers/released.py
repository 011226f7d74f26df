"""Whether a driver still obeys a hold, and the words of a text that comes before or with its end."""

from collections.abc import Callable, Collection, Sequence
from functools import partial
from typing import TypeAlias

from alertd.i18n import Translator
from alertd.notices.sent_state import SentFact
from alertd.notices.text.driver_sms import shortened
from alertd.notices.triggers import closures
from alertd.plan.model.plan import Plan
from alertd.plan.model.stretches import Advice

Words: TypeAlias = Callable[[Translator], str]


def unreleased(plan: Plan, rows: Sequence[SentFact], ended: Collection[SentFact] = ()) -> tuple[SentFact, ...]:
    """Return the holds ahead that were sent to the driver, and whose end was not.

    ended: rows whose end is sent with this plan. A truck of unknown place is not taken to have passed a hold.
    """
    fix = plan.position
    here_m = None if fix is None or fix.old else fix.distance_m
    sent = (b for b in rows if b.advice is Advice.HOLD and b.sent_at is not None and not b.pending and b not in ended)
    return tuple(b for b in sent if here_m is None or here_m < b.core_start_m)


def applies_to(plan: Plan, hold: SentFact, start_m: float) -> bool:
    """Whether a driver who obeys the hold must not act yet on an order for the road from `start_m`.

    An order for the road before a hold of the plan is for the way to the place to wait.
    """
    return start_m >= hold.core_start_m or not _is_planned(plan, hold)


def still_held(words: Words, plan: Plan, rows: Sequence[SentFact], start_m: float) -> Words:
    """Return the words of an order, after words on the hold that still applies if there is one."""
    if any(applies_to(plan, b, start_m) for b in unreleased(plan, rows)):
        return partial(_still_held_text, words)
    return words


def no_longer_held(words: Words) -> Words:
    """Return the words of an order that comes with the end of a hold."""
    return partial(_no_longer_held_text, words)


def _still_held_text(words: Words, translator: Translator) -> str:
    lead = translator.gettext("HOLD STILL APPLIES until you hear that it ended. Then: ")
    return shortened(words(translator), lead, translator)


def _no_longer_held_text(words: Words, translator: Translator) -> str:
    return shortened(words(translator), translator.gettext("HOLD ENDED, ask before you go. "), translator)


def _is_planned(plan: Plan, hold: SentFact) -> bool:
    if closures.is_closure(hold):
        return any(closures.is_same(hold, n) for n in closures.holding_closures(plan))
    return any(s.advice is Advice.HOLD and hold.is_about(s) for s in plan.stretches)
