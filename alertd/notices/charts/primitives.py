"""Drawing primitives common to the charts: fills, bands with letters, plates, headings, keys."""

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
    """Draw closed polygons, (vertex, 2) each, as one patch, which is one SVG element."""
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
    """Return the corners of a rectangle."""
    return [(left, low), (right, low), (right, high), (left, high)]


def plate(ax: Axes, x: float, y: float, text: str, view: View, *, inverse: bool = False, **how: Any) -> None:
    """Draw bold letters on a plate of paper or ink, readable over any hatch; y is their middle."""
    paper, ink = ("ink", "paper") if inverse else ("paper", "ink")
    style = {"size": SMALL, "edge": 0.8, "pad": 0.25, "ha": "center", "zorder": 9.0, **how}
    ax.annotate(
        text,
        (x, y),
        xytext=(0.0, -0.36 * style["size"]),
        textcoords="offset points",
        annotation_clip=False,
        fontsize=style["size"],
        color=view.color(ink),
        weight="bold",
        ha=style["ha"],
        va="baseline",
        zorder=style["zorder"],
        bbox={
            "boxstyle": f"round,pad={style['pad']}",
            "facecolor": view.color(paper),
            "edgecolor": view.color("ink"),
            "linewidth": style["edge"],
        },
    )


def head_lines(title: str, below: Sequence[str], view: View) -> list[tuple[str, float, bool]]:
    """Return the title and the text below it, as lines (text, size, bold)."""
    room = view.width_px - 2 * MARGIN
    lines = [(line, HEAD, True) for line in wrap_text(title, room, HEAD, bold=True)]
    return lines + [(line, PLAIN, False) for text in below for line in wrap_text(text, room)]


def draw_lines(sheet: Canvas, top: float, lines: Sequence[tuple[str, float, bool]]) -> None:
    """Draw lines (text, size, bold) from `top` downward."""
    for text, size, bold in lines:
        sheet.text(MARGIN, top, text, size, weight="bold" if bold else "normal")
        top += lines_height([(text, size, bold)])


def small_lines(texts: Sequence[str], view: View) -> list[tuple[str, float, bool]]:
    """Return the footer texts, wrapped."""
    return [(line, SMALL, False) for text in texts for line in wrap_text(text, view.width_px - 2 * MARGIN, SMALL)]


def lines_height(lines: Sequence[tuple[str, float, bool]]) -> float:
    """Return the height of lines in pixels."""
    return sum(round(1.35 * size) for _, size, _ in lines)


def key_rows(rows: Sequence[tuple[str, str]], view: View, room_px: float = 0.0) -> list[tuple[str, str]]:
    """Return a key's rows (label, text), wrapped; continuation rows have an empty label.

    room_px: width in pixels, 0 for the view's width.
    """
    room = (room_px or view.width_px - 2 * MARGIN) - _indent(rows)
    out = []
    for label, text in rows:
        out += [(label if i == 0 else "", line) for i, line in enumerate(wrap_text(text, room))]
    return out


def _indent(rows: Sequence[tuple[str, str]]) -> float:
    return 8.0 + max([text_width(label, PLAIN, bold=True) for label, _ in rows], default=0.0)


def draw_key(sheet: Canvas, top: float, rows: Sequence[tuple[str, str]], left: float = MARGIN) -> None:
    """Draw a key's rows from `top` downward."""
    indent = _indent(rows)
    for label, text in rows:
        sheet.text(left, top, label, weight="bold")
        sheet.text(left + indent, top, text)
        top += LINE


def legend_rows(styles: Sequence[Style], view: View) -> list[list[tuple[float, Style]]]:
    """Return rows of swatches with names, from left to right: (left, style)."""
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
    """Draw all swatches on one pair of axes, since axes are expensive to create."""
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
    """Draw the letter of each run (from, to, style) that is wide enough; `px_of`: pixels per unit of length."""
    for start, end, style in runs:
        if style.letter and (end - start) * px_of >= 14.0:
            plate(ax, (start + end) / 2.0, y, style.letter, view, edge=0.0, pad=0.08, zorder=8.0)


def frame(ax: Axes, view: View) -> None:
    """Draw a thin line round the axes."""
    for spine in ax.spines.values():
        spine.set_visible(True)
        spine.set_color(view.color("quiet"))
        spine.set_linewidth(0.8)
