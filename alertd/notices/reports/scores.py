"""Verification scores of probabilities and calls by lead time, with a warning for small samples."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Any, Final

import numpy as np

from alertd.forecast.verification import BrierParts, Contingency, Reliability, brier, contingency, reliability

LEADS_H: Final = ((0.0, 3.0), (3.0, 6.0), (6.0, 12.0), (12.0, 24.0), (24.0, 48.0))
# Below either, a score reflects mostly chance. Our own choice.
ENOUGH_N: Final = 30
ENOUGH_EACH_N: Final = 5
SENTENCE: Final = "Of {called} that were called, {hits} happened; {misses} that happened were not called."


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One forecast and its outcome. called: the event was announced to people. happened: None if not known.

    day: local date on which the truck was there; cases of one day are not independent.
    """

    lead_h: float
    probability: float
    called: bool
    happened: bool | None
    because: str
    day: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LeadScore:
    """Scores of the cases made from_h to to_h hours ahead. parts and bins are None without a case."""

    from_h: float
    to_h: float
    n: int
    happened_n: int
    table: Contingency
    parts: BrierParts | None
    bins: Reliability | None

    @property
    def enough(self) -> bool:
        """Whether the sample is large enough."""
        return self.n >= ENOUGH_N and min(self.happened_n, self.n - self.happened_n) >= ENOUGH_EACH_N


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """Scores of one kind of event. left_out: number of cases without a known outcome, by reason.

    sentence: the result in plain words, with {called}, {hits} and {misses}.
    """

    what: str
    rule: str
    whole: LeadScore
    by_lead: tuple[LeadScore, ...]
    left_out: tuple[tuple[str, int], ...]
    days_n: int
    cases: tuple[Case, ...]
    sentence: str


def score_cases(what: str, rule: str, cases: Iterable[Case], sentence: str = SENTENCE) -> Score:
    """Return the scores of the cases, in total and by lead time."""
    every = tuple(cases)
    known = tuple(c for c in every if c.happened is not None)
    out = Counter(c.because for c in every if c.happened is None)
    return Score(
        what=what,
        rule=rule,
        whole=_lead(known, LEADS_H[0][0], LEADS_H[-1][1]),
        by_lead=tuple(_lead([c for c in known if a <= c.lead_h < b], a, b) for a, b in LEADS_H),
        left_out=tuple(sorted(out.items(), key=lambda item: (-item[1], item[0]))),
        days_n=len({c.day for c in known}),
        cases=known,
        sentence=sentence,
    )


def plain_result(score: Score) -> str:
    """Return what the last calls were worth, in one sentence: counts of the shortest lead time that has cases.

    Each trip counts once in it. "" without a case.
    """
    last = next((s for s in score.by_lead if s.n), None)
    if last is None:
        return ""
    t = last.table
    words = score.sentence.format(called=t.hits + t.false_alarms, hits=t.hits, misses=t.misses)
    return f"{last.from_h:g} to {last.to_h:g} h ahead: {words[0].lower()}{words[1:]}"


def _lead(cases: Sequence[Case], from_h: float, to_h: float) -> LeadScore:
    p = np.array([c.probability for c in cases], dtype=np.float64)
    happened = np.array([bool(c.happened) for c in cases])
    return LeadScore(
        from_h=from_h,
        to_h=to_h,
        n=len(cases),
        happened_n=int(happened.sum()),
        table=contingency(np.array([c.called for c in cases], dtype=np.bool_), happened.astype(np.bool_)),
        parts=brier(p, happened) if cases else None,
        bins=reliability(p, happened) if cases else None,
    )


def score_json(score: Score) -> dict[str, Any]:
    """Return the scores as JSON types; null where a score is undefined."""
    return {
        "what": score.what,
        "truth": score.rule,
        "cases": score.whole.n,
        "days": score.days_n,
        "left_out": dict(score.left_out),
        "whole": _plain(score.whole),
        "by_lead": [_plain(one) for one in score.by_lead],
    }


def _plain(s: LeadScore) -> dict[str, Any]:
    t, bins = s.table, s.bins
    return {
        "lead_from_h": s.from_h,
        "lead_to_h": s.to_h,
        "cases": s.n,
        "happened": s.happened_n,
        "enough": s.enough,
        "hits": t.hits,
        "misses": t.misses,
        "false_alarms": t.false_alarms,
        "correct_negatives": t.correct_negatives,
        "pod": _number(t.pod),
        "far": _number(t.far),
        "csi": _number(t.csi),
        "bias": _number(t.bias),
        "brier": None if s.parts is None else _number(s.parts.score),
        "brier_skill": None if s.parts is None else _number(s.parts.skill),
        "bins": []
        if bins is None
        else [
            {
                "from": float(a), "to": float(b), "cases": int(n), "mean_probability": float(m), "happened": float(h)
            }
            for a, b, n, m, h in zip(
                bins.edge_frac[:-1], bins.edge_frac[1:], bins.count, bins.mean_prob_frac, bins.happened_frac,
                strict=True,
            )
            if n
        ],
    }  # fmt: skip


def rows(score: Score) -> list[tuple[str, ...]]:
    """Return one row per lead time, then the total: hours ahead, cases, happened, POD, FAR, CSI, Brier, skill."""
    return [_row(f"{s.from_h:g} to {s.to_h:g} h", s) for s in score.by_lead] + [_row("all", score.whole)]


COLUMNS: Final = ("ahead", "cases", "happened", "POD", "FAR", "CSI", "Brier", "skill")


def _row(name: str, s: LeadScore) -> tuple[str, ...]:
    t = s.table
    parts = (s.parts.score, s.parts.skill) if s.parts else (float("nan"),) * 2
    figures = (f"{x:.2f}" if isfinite(x) else "-" for x in (t.pod, t.far, t.csi, *parts))
    return (name, str(s.n), str(s.happened_n), *figures)


def sample_note(score: Score) -> str:
    """Return whether the sample is large enough, as text."""
    s = score.whole
    if not s.n:
        return "Nothing can be said yet: of no case is it known what happened."
    counts = f"{s.n} cases of {score.days_n} day{'s' if score.days_n != 1 else ''}, {s.happened_n} of them happened"
    if not s.enough:
        return (
            f"TOO FEW to judge by: {counts}. At least {ENOUGH_N} are needed, {ENOUGH_EACH_N} of them yes and "
            f"{ENOUGH_EACH_N} no; until then the figures below are mostly chance."
        )
    return f"{counts}. A trip counts once in each lead time, and cases of one storm hang together."


def lines(score: Score) -> list[str]:
    """Return lines for the terminal."""
    out = [score.what.upper(), *(f"  {x}" for x in (plain_result(score), sample_note(score)) if x)]
    if score.whole.n:
        table = [COLUMNS, *rows(score)]
        out += ["  " + f"{r[0]:<11}" + "".join(f"{c:>9}" for c in r[1:]) for r in table]
    if score.left_out:
        out.append(f"  left out, for nobody can tell: {sum(n for _, n in score.left_out)}")
        out += [f"    {n:>5}  {why}" for why, n in score.left_out]
    return [*out, f"  What counts as true: {score.rule}"]


def _number(x: float) -> float | None:
    return round(x, 4) if isfinite(x) else None
