"""The scores of an archive as text and as JSON."""

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Any, Final

from alertd.forecast.block_scores import BLOCK_DAYS, LEVEL, BlockScore, Interval
from alertd.notices.reports.scores import ENOUGH_EACH_N, ENOUGH_N

Scores = Mapping[tuple[str, int], BlockScore]
LEAST_BLOCKS_TO_JUDGE: Final = 10  # [A] a month of weather

_HEAD: Final = ("ahead", "cases", "happened", "blocks", "Brier", "90 %", "over usual", "90 %", "over as now", "90 %")
_WIDTH: Final = (6, 7, 9, 7, 7, 15, 11, 16, 12, 16)


def enough(score: BlockScore) -> bool:
    """Whether there are cases and blocks enough to judge by."""
    rarer = min(score.happened_n, score.cases_n - score.happened_n)
    return score.cases_n >= ENOUGH_N and rarer >= ENOUGH_EACH_N and score.blocks_n >= LEAST_BLOCKS_TO_JUDGE


def archive_lines(scores: Scores, rule: str, about: Sequence[str]) -> list[str]:
    """Lines for the terminal: one table an event, then its reliability over all lead times that have cases."""
    out = [*about]
    for event in dict.fromkeys(event for event, _ in scores):
        of_event = {lead: s for (name, lead), s in scores.items() if name == event}
        out += ["", f"P({event})"]
        if not any(s.cases_n for s in of_event.values()):
            out.append("  Nothing can be said: no hour was both forecast and observed.")
            continue
        out.append("  " + "".join(f"{c:>{w}}" for c, w in zip(_HEAD, _WIDTH, strict=True)))
        for lead, s in of_event.items():
            cells = (f"{lead} h", str(s.cases_n), str(s.happened_n), str(s.blocks_n), *_figures(s))
            mark = "" if enough(s) else "  TOO FEW"
            out.append("  " + "".join(f"{c:>{w}}" for c, w in zip(cells, _WIDTH, strict=True)) + mark)
        out += _reliability_lines(of_event)
    return [
        *out,
        "",
        f'"Over usual" is skill over the event\'s share on other days at the place, "over as now" over what was seen '
        f"when the forecast was made: 1 is perfect, 0 no better, below 0 worse. The {100 * LEVEL:.0f} % ranges come "
        f"from blocks of {BLOCK_DAYS} days drawn again. TOO FEW: under {ENOUGH_N} cases, {ENOUGH_EACH_N} of either "
        f"kind, or {LEAST_BLOCKS_TO_JUDGE} blocks; such figures are mostly chance.",
        f"What counts as true: {rule}",
    ]


def _figures(s: BlockScore) -> tuple[str, ...]:
    return (
        _text(s.brier.value, 3), _range(s.brier, 3), _text(s.climatology_skill.value, 2),
        _range(s.climatology_skill, 2), _text(s.persistence_skill.value, 2), _range(s.persistence_skill, 2),
    )  # fmt: skip


def _reliability_lines(of_event: Mapping[int, BlockScore]) -> list[str]:
    """A row a lead time: of the hours with a probability in each tenth, the share that happened, and their number."""
    head = "".join(f"{f'{low}-{low + 10} %':>11}" for low in range(0, 100, 10))
    out = [f"  said:   {head}"]
    for lead, s in of_event.items():
        if s.bins is None:
            continue
        cells = (
            f"{100 * h:.0f} % ({n})" if n else "-" for h, n in zip(s.bins.happened_frac, s.bins.count, strict=True)
        )
        out.append(f"  {f'{lead} h':>7} " + "".join(f"{c:>11}" for c in cells))
    return [*out, "          came true in so many % of the hours (number of hours)"]


def archive_json(scores: Scores, rule: str, about: Mapping[str, Any]) -> dict[str, Any]:
    """JSON types; null where a score is undefined."""
    return {
        "form": "alertd.archive-score/1",
        **about,
        "truth": rule,
        "confidence": {"level": LEVEL, "block_days": BLOCK_DAYS},
        "events": [
            {"event": event, "by_lead": [_plain(lead, s) for (name, lead), s in scores.items() if name == event]}
            for event in dict.fromkeys(event for event, _ in scores)
        ],
    }


def _plain(lead: int, s: BlockScore) -> dict[str, Any]:
    bins = s.bins
    return {
        "lead_h": lead,
        "cases": s.cases_n,
        "happened": s.happened_n,
        "blocks": s.blocks_n,
        "enough": enough(s),
        "brier": _interval(s.brier),
        "skill_over_climatology": _interval(s.climatology_skill),
        "skill_over_persistence": {**_interval(s.persistence_skill), "cases": s.persistence_n},
        "reliability": None if s.parts is None else _number(s.parts.reliability),
        "resolution": None if s.parts is None else _number(s.parts.resolution),
        "uncertainty": None if s.parts is None else _number(s.parts.uncertainty),
        "bins": []
        if bins is None
        else [
            {"from": float(a), "to": float(b), "cases": int(n), "mean_probability": float(m), "happened": float(h)}
            for a, b, n, m, h in zip(
                bins.edge_frac[:-1], bins.edge_frac[1:], bins.count, bins.mean_prob_frac, bins.happened_frac,
                strict=True,
            )
            if n
        ],
    }  # fmt: skip


def _interval(i: Interval) -> dict[str, float | None]:
    return {"value": _number(i.value), "low": _number(i.low), "high": _number(i.high)}


def _number(x: float) -> float | None:
    return round(x, 4) if isfinite(x) else None


def _text(x: float, digits: int) -> str:
    return f"{x:.{digits}f}" if isfinite(x) else "-"


def _range(i: Interval, digits: int) -> str:
    return f"{i.low:.{digits}f} to {i.high:.{digits}f}" if isfinite(i.low) else "-"
