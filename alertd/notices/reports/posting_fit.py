"""Renders coefficients of postings that were fitted to records, for the terminal and as JSON."""

from dataclasses import asdict
from typing import Any, Final

from alertd.rules.posting.fit import Coefficient, PostingFit, shifted

ESTIMATE: Final = (
    "OUR ESTIMATE from these records, not law. A plan does not use it by itself. u of a zone and theta of a level "
    "shift the log odds of a posting; 0 changes nothing. Few days leave them near 0."
)
ENOUGH_DAYS_N: Final = 10  # our own choice: with fewer, a coefficient is mostly the assumption before the records


def fit_lines(fit: PostingFit) -> list[str]:
    """Return lines for the terminal."""
    if not fit.days_n:
        return ["POSTED CONTROLS", "  Nothing can be fitted: no estimate has a report of what was posted then."]
    gain = f"log likelihood of a record {fit.before:.3f} before, {fit.after:.3f} after"
    out = ["POSTED CONTROLS", f"  {fit.days_n} days with reports; {gain}"]
    for what, rows in (("u of zones", fit.zones), ("theta of levels", fit.levels)):
        out.append(f"  {what}: estimate, its standard deviation, days; an estimate of 50 % becomes")
        out += [f"    {_line(x)}" for x in rows]
    return [*out, f"  {ESTIMATE}"]


def fit_json(fit: PostingFit) -> dict[str, Any]:
    """Return the fit as JSON types."""
    return {"estimate": True, "note": ESTIMATE, **asdict(fit)}


def _line(x: Coefficient) -> str:
    few = "" if x.days_n >= ENOUGH_DAYS_N else "   TOO FEW DAYS to rely on"
    return f"{x.value:+.2f}  {x.sigma:.2f}  {x.days_n:>4}  {shifted(0.5, x.value):.0%}  {x.name}{few}"
