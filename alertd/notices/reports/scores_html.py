"""Renders the scores as a page: definition of truth, tables by lead time, reliability diagrams.

A diagram is drawn only for a large enough sample.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from alertd.notices.charts.canvas import View
from alertd.notices.charts.reliability import draw_reliability
from alertd.notices.reports.html import bullets, document, heading, line, scrolled, table
from alertd.notices.reports.scores import COLUMNS, Score, plain_result, rows, sample_note
from alertd.notices.text import phrases

_WORDS: Final = (
    "POD: of what happened, the share that was called. FAR: of what was called, the share that did not happen. CSI: "
    "hits of all called or happened. Brier: mean squared error of the odds, 0 is perfect; skill: against always saying "
    "how often it happens, 0 is no better."
)


def score_page(
    fleet: str, scores: Sequence[Score], since: datetime, until: datetime, zone: str, yes_from_frac: float
) -> str:
    """Return the page. yes_from_frac: the probability from which chains are advised."""
    span = f"{phrases.day_clock(since, zone)} to {phrases.day_clock(until, zone)}"
    parts = [
        f'<h1 style="font-size:22px;margin:0">Did it hold?</h1>{line(fleet, strong=True)}{line(span)}',
        *(_one(score, yes_from_frac) for score in scores),
        heading("The figures"),
        line(_WORDS, small=True),
        line(phrases.SIGNS),
    ]
    return document(f"Scores, {fleet}", "\n".join(parts))


def _one(score: Score, yes_from_frac: float) -> str:
    first = plain_result(score)
    parts = [heading(score.what), line(first, strong=True) if first else ""]
    parts.append(line(sample_note(score), strong=not score.whole.enough))
    if score.whole.n:
        parts.append(scrolled(f"{score.what}: scores by lead time", table(COLUMNS, rows(score))))
    if score.whole.enough:
        parts.append(scrolled(f"{score.what}: reliability diagram", _diagram(score, yes_from_frac)))
    if score.left_out:
        parts.append(line(f"Left out, for nobody can tell: {sum(n for _, n in score.left_out)}"))
        parts.append(bullets(f"{n}: {why}" for why, n in score.left_out))
    return "\n".join([*filter(None, parts), line(f"What counts as true: {score.rule}", small=True)])


def _diagram(score: Score, yes_from_frac: float) -> str:
    known = score.cases
    drawn = draw_reliability(
        score.what.lower(),
        [c.probability for c in known],
        [bool(c.happened) for c in known],
        View(width_px=690),
        yes_from_frac=yes_from_frac,
    )
    return drawn.svg(light_only=True)
