"""How the parts that pictures share are drawn: fills, bands with letters, plates, heads, keys."""

from collections.abc import Iterable, Sequence
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path
from numpy.typing import ArrayLike

from alertd.notices.charts.canvas import HEAD, PLAIN, SMALL, Canvas, View, text_width, wrap_text
from alertd.notices.charts.palette import Style

MARGIN: Final = 10.0
LINE: Final = 16.0
_SWATCH: Final = 30.0


def fill(ax: Axes, polygons: Iterable[ArrayLike], style: Style, view: View, **how: Any) -> None:
    """Closed polygons, (vertex, 2) each, as one patch in a look: one element of an SVG, however many they are."""
    parts = [np.asarray(p, dtype=np.float64) for p in polygons]
    if not parts:
        return
    vertices = np.concatenate([np.concatenate((p, p[:1])) for p in parts])
    codes = np.concatenate([[Path.MOVETO, *[Path.LINETO] * (len(p) - 1), Path.CLOSEPOLY] for p in parts])
    ax.add_patch(
        PathPatch(
            Path(vertices, codes.astype(Path.code_type)),
            facecolor=view.color(style.role),
            hatch=style.hatch or None,
            **{"edgecolor": view.color("hatch"), "linewidth": 0.0, "zorder": 1.0, **how},
        )
    )


def box(left: float, right: float, low: float, high: float) -> list[tuple[float, float]]:
    return [(left, low), (right, low), (right, high), (left, high)]


def plate(ax: Axes, x: float, y: float, text: str, view: View, *, inverse: bool = False, **how: Any) -> None:
    """Bold letters on a plate of paper, or of ink, so that they are read over any hatch; y is their middle."""
    paper, ink = ("ink", "paper") if inverse else ("paper", "ink")
    said = {"size": SMALL, "edge": 0.8, "pad": 0.25, "ha": "center", "zorder": 9.0, **how}
    ax.annotate(
        text,
        (x, y),
        xytext=(0.0, -0.36 * said["size"]),
        textcoords="offset points",
        annotation_clip=False,
        fontsize=said["size"],
        color=view.color(ink),
        weight="bold",
        ha=said["ha"],
        va="baseline",
        zorder=said["zorder"],
        bbox={
            "boxstyle": f"round,pad={said['pad']}",
            "facecolor": view.color(paper),
            "edgecolor": view.color("ink"),
            "linewidth": said["edge"],
        },
    )


def head_lines(title: str, below: Sequence[str], view: View) -> list[tuple[str, float, bool]]:
    """Title and what stands below it, as lines (text, size, bold)."""
    room = view.width_px - 2 * MARGIN
    lines = [(line, HEAD, True) for line in wrap_text(title, room, HEAD, bold=True)]
    return lines + [(line, PLAIN, False) for text in below for line in wrap_text(text, room)]


def draw_lines(sheet: Canvas, top: float, lines: Sequence[tuple[str, float, bool]]) -> None:
    for text, size, bold in lines:
        sheet.text(MARGIN, top, text, size, weight="bold" if bold else "normal")
        top += lines_height([(text, size, bold)])


def small_lines(texts: Sequence[str], view: View) -> list[tuple[str, float, bool]]:
    """What stands at a picture's foot, wrapped."""
    return [(line, SMALL, False) for text in texts for line in wrap_text(text, view.width_px - 2 * MARGIN, SMALL)]


def lines_height(lines: Sequence[tuple[str, float, bool]]) -> float:
    return sum(round(1.35 * size) for _, size, _ in lines)


def key_rows(rows: Sequence[tuple[str, str]], view: View, room_px: float = 0.0) -> list[tuple[str, str]]:
    """A key's rows (label, text), the text wrapped into rows with an empty label. room_px: 0 for the view's width."""
    room = (room_px or view.width_px - 2 * MARGIN) - _indent(rows)
    out = []
    for label, text in rows:
        out += [(label if i == 0 else "", line) for i, line in enumerate(wrap_text(text, room))]
    return out


def _indent(rows: Sequence[tuple[str, str]]) -> float:
    return 8.0 + max([text_width(label, PLAIN, bold=True) for label, _ in rows], default=0.0)


def draw_key(sheet: Canvas, top: float, rows: Sequence[tuple[str, str]], left: float = MARGIN) -> None:
    indent = _indent(rows)
    for label, text in rows:
        sheet.text(left, top, label, weight="bold")
        sheet.text(left + indent, top, text)
        top += LINE


def legend_rows(styles: Sequence[Style], view: View) -> list[list[tuple[float, Style]]]:
    """Swatches with names, from left to right in rows: (left, look)."""
    rows: list[list[tuple[float, Style]]] = []
    left = view.width_px * 2.0
    for style in styles:
        wide = _SWATCH + 6.0 + text_width(style.name) + 14.0
        if left + wide > view.width_px:
            rows.append([])
            left = MARGIN
        rows[-1].append((left, style))
        left += wide
    return rows


def draw_legend(sheet: Canvas, top: float, rows: Sequence[Sequence[tuple[float, Style]]]) -> None:
    """All swatches on one pair of axes in pixels, since axes are dear to make."""
    if not rows:
        return
    high, view = len(rows) * (LINE + 2.0), sheet.view
    ax = sheet.axes(0.0, top, view.width_px, high)
    ax.set_xlim(0.0, view.width_px)
    ax.set_ylim(0.0, high)
    for n, row in enumerate(rows):
        low = high - n * (LINE + 2.0) - LINE + 1.0
        for left, style in row:
            fill(ax, [box(left, left + _SWATCH, low, low + LINE - 2.0)], style, view)
            ax.add_patch(
                Rectangle(
                    (left, low), _SWATCH, LINE - 2.0, facecolor="none", edgecolor=view.color("ink"), linewidth=1.0
                )
            )
            if style.letter:
                plate(ax, left + _SWATCH / 2.0, low + LINE / 2.0 - 1.0, style.letter, view, edge=0.0, pad=0.08)
            sheet.text(left + _SWATCH + 6.0, top + n * (LINE + 2.0), style.name)


def letters(ax: Axes, runs: Sequence[tuple[float, float, Style]], y: float, view: View, px_of: float) -> None:
    """The letter of each run (from, to, look) that is wide enough for one; `px_of`: pixels of one unit along."""
    for start, end, style in runs:
        if style.letter and (end - start) * px_of >= 14.0:
            plate(ax, (start + end) / 2.0, y, style.letter, view, edge=0.0, pad=0.08, zorder=8.0)


def frame(ax: Axes, view: View) -> None:
    """A thin line round the axes."""
    for spine in ax.spines.values():
        spine.set_visible(True)
        spine.set_color(view.color("quiet"))
        spine.set_linewidth(0.8)
