"""Draws a reliability diagram: observed frequency by forecast probability, with counts and scores."""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from alertd.forecast.verification import BrierParts, Contingency, Reliability, brier, contingency
from alertd.forecast.verification import reliability as binned
from alertd.notices.charts import alt_text, primitives
from alertd.notices.charts.canvas import Canvas, Chart, Panel, View
from alertd.notices.charts.palette import QUIET, Style
from alertd.notices.charts.primitives import LINE, MARGIN
from alertd.notices.charts.text_width import SMALL

LEFT: Final = 52.0
COUNTS_PX: Final = 70.0
MAX_PX: Final = 380.0
_TICKS: Final = ((0.0, "0"), (0.25, "25"), (0.5, "50"), (0.75, "75"), (1.0, "100"))


def draw_reliability(
    what: str, prob_frac: ArrayLike, happened: ArrayLike, view: View, *, yes_from_frac: float = 0.5
) -> Chart:
    """Draw the diagram of one kind of event, e.g. "chains needed"; `yes_from_frac` or more counts as a yes.

    Raises ValueError as `forecast.verification.brier`.
    """
    bins, parts = binned(prob_frac, happened), brier(prob_frac, happened)
    p, h = np.asarray(prob_frac, dtype=np.float64), np.asarray(happened, dtype=np.bool_)
    table = contingency(p[~np.isnan(p)] >= yes_from_frac, h[~np.isnan(p)])
    title = f"Forecast odds held against what happened: {what}"
    sentences = alt_text.reliability_alt(what, bins, parts, table, yes_from_frac)
    head = primitives.head_lines(title, [f"{int(bins.count.sum()):,} forecasts."], view)
    side = min(view.width_px - LEFT - MARGIN, MAX_PX)
    room = view.width_px - LEFT - side - 30.0 - MARGIN if view.wide else 0.0
    key = primitives.key_rows(_rows(parts, table, yes_from_frac), view, room)
    foot = primitives.small_lines(alt_text.RELIABILITY_FOOTER, view)
    top = MARGIN + primitives.lines_height(head) + LINE + 6.0
    top_counts = top + side + 10.0
    top_ticks = top_counts + COUNTS_PX + 3.0
    top_key = top if view.wide else top_ticks + 2 * LINE + 8.0
    top_foot = max(top_ticks + 2 * LINE + 8.0, top_key + len(key) * LINE + 6.0)
    sheet = Canvas(view, top_foot + primitives.lines_height(foot) + MARGIN, "reliability")

    primitives.draw_lines(sheet, MARGIN, head)
    diagram = sheet.panel("diagram", (LEFT, top, side, side), (0.0, 1.0), (0.0, 1.0))
    _diagram(diagram, bins, float(h[~np.isnan(p)].mean()))
    most = 1.35 * max(int(bins.count.max()), 1)
    _counts(sheet.panel("counts", (LEFT, top_counts, side, COUNTS_PX), (0.0, 1.0), (0.0, most)), bins)
    for share, text in _TICKS:
        sheet.text(LEFT + share * side, top_ticks, text, SMALL, anchor="middle")
        sheet.text(LEFT - 5.0, top + (1.0 - share) * side - 0.65 * SMALL, text, SMALL, anchor="end")
    sheet.text(LEFT + side / 2.0, top_ticks + LINE, "forecast, %", SMALL, anchor="middle")
    sheet.text(MARGIN, top - LINE - 4.0, "happened, %", SMALL)
    sheet.text(LEFT - 5.0, top_counts + 2.0, "number", SMALL, anchor="end")
    primitives.draw_key(sheet, top_key, key, LEFT + side + 30.0 if view.wide else MARGIN)
    primitives.draw_lines(sheet, top_foot, foot)
    return Chart(title=title, alt_text=sentences, canvas=sheet)


def _diagram(panel: Panel, bins: Reliability, base_frac: float) -> None:
    """Perfect forecasts are on the diagonal; bars show the range of chance alone; dotted is the base rate."""
    sheet = panel.sheet
    ticks = [share for share, _ in _TICKS]
    grid = [panel.xy([share, share], [0.0, 1.0]) for share in ticks]
    sheet.lines(grid + [panel.xy([0.0, 1.0], [share, share]) for share in ticks], 0.5, role="line")
    full = bins.count > 0
    x, y = bins.mean_prob_frac[full], bins.happened_frac[full]
    bars = [
        primitives.box(m - 0.012, m + 0.012, low, high)
        for m, low, high in zip(x, bins.low_frac[full], bins.high_frac[full], strict=True)
    ]
    panel.fill(bars, Style(role="line"), "chance")
    panel.frame()
    sheet.line(panel.xy([0.0, 1.0], [0.0, 1.0]), 1.0, dash=(6.0, 3.0))
    sheet.line(panel.xy([0.0, 1.0], [base_frac, base_frac]), 1.0, dash=(1.0, 2.0), kind="base")
    points = panel.xy(x, y)
    sheet.line(points, 1.8, kind="points")
    for across, down in points.tolist():
        sheet.dot(across, down, 3.5, role="mark")


def _counts(panel: Panel, bins: Reliability) -> None:
    """Draw the number of forecasts behind each point."""
    rows = list(zip(bins.edge_frac[:-1], bins.edge_frac[1:], bins.count, strict=True))
    panel.fill([primitives.box(a + 0.01, b - 0.01, 0.0, n) for a, b, n in rows if n], QUIET, "number")
    for a, b, n in rows:
        if n:
            panel.sheet.text(panel.x((a + b) / 2.0), panel.y(n) - 1.3 * SMALL, f"{n}", SMALL, anchor="middle")
    panel.frame()


def _rows(parts: BrierParts, table: Contingency, yes_from_frac: float) -> list[tuple[str, str]]:
    return [
        ("Brier", f"{parts.score:.3f}, 0 is perfect"),
        ("reliability", f"{parts.reliability:.3f}, less is better"),
        ("resolution", f"{parts.resolution:.3f}, more is better"),
        ("uncertainty", f"{parts.uncertainty:.3f}, of the event itself"),
        ("skill", f"{parts.skill:.2f}, 1 is perfect, 0 as good as the base rate"),
        ("yes from", f"{yes_from_frac:.0%} on"),
        ("POD", f"{table.pod:.2f}, of what happened was forecast"),
        ("FAR", f"{table.far:.2f}, of what was forecast did not happen"),
        ("CSI", f"{table.csi:.2f}, hits of all hits, misses and false alarms"),
        ("bias", f"{table.bias:.2f}, forecasts of it per event"),
    ]
