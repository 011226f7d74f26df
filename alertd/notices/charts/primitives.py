"""Drawing primitives common to the charts: bands with letters, roads on a map, headings, keys."""

from collections.abc import Sequence
from typing import Final

from alertd.notices.charts.canvas import Array, Canvas, Panel, View, number
from alertd.notices.charts.palette import Style
from alertd.notices.charts.text_width import HEAD, PLAIN, SMALL, text_width, wrap_text

MARGIN: Final = 10.0
LINE: Final = 16.0
_SWATCH: Final = 30.0


def box(left: float, right: float, low: float, high: float) -> list[tuple[float, float]]:
    """Return the corners of a rectangle."""
    return [(left, low), (right, low), (right, high), (left, high)]


def road_outline(sheet: Canvas, lines: Sequence[Array], width_px: float, *, hollow: bool) -> None:
    """Draw the edges of roads on a map, each line of points (n, 2) [px]. hollow: with paper between them, where no
    state is drawn over them."""
    sheet.add('<g stroke-linejoin="round">')
    sheet.lines(lines, width_px + 2.5, kind="roads")
    if hollow:
        sheet.lines(lines, width_px - 0.5, role="paper")
    sheet.add("</g>")


def road_state(sheet: Canvas, lines: Sequence[Array], style: Style, width_px: float) -> None:
    """Draw parts of roads on a map in one state: its color, with the dashes of that state over it."""
    sheet.lines(lines, width_px, role=style.role)
    if style.dash:
        sheet.lines(lines, width_px, role="hatch", dash=[width_px * n for n in style.dash])


def head_lines(title: str, below: Sequence[str], view: View) -> list[tuple[str, float, bool]]:
    """Return the title and the text below it, as lines (text, size, bold); none in a bare view."""
    if view.bare:
        return []
    room = view.width_px - 2 * MARGIN
    lines = [(line, HEAD, True) for line in wrap_text(title, room, HEAD, bold=True)]
    return lines + [(line, PLAIN, False) for text in below for line in wrap_text(text, room)]


def draw_lines(sheet: Canvas, top: float, lines: Sequence[tuple[str, float, bool]]) -> None:
    """Draw lines (text, size, bold) from `top` downward."""
    for text, size, bold in lines:
        sheet.text(MARGIN, top, text, size, bold=bold)
        top += lines_height([(text, size, bold)])


def small_lines(texts: Sequence[str], view: View) -> list[tuple[str, float, bool]]:
    """Return the footer texts, wrapped; in a bare view the first only, which explains the picture."""
    shown, room = texts[:1] if view.bare else texts, view.width_px - 2 * MARGIN
    return [(line, SMALL, False) for text in shown for line in wrap_text(text, room, SMALL)]


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
        sheet.text(left, top, label, bold=True)
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
    """Draw the swatches with their names."""
    high = LINE - 2.0
    for n, row in enumerate(rows):
        row_top = top + n * (LINE + 2.0)
        for left, style in row:
            area = f'x="{number(left)}" y="{number(row_top)}" width="{number(_SWATCH)}" height="{number(high)}"'
            sheet.add(f"<rect {sheet.filled(style)} {area}/>", f'<rect class="s-ink" fill="none" {area}/>')
            if style.letter:
                sheet.plate(left + _SWATCH / 2.0, row_top + high / 2.0, style.letter, edge=False)
            sheet.text(left + _SWATCH + 6.0, row_top - 1.0, style.name)


def letters(panel: Panel, runs: Sequence[tuple[float, float, Style]]) -> None:
    """Draw the letter of each run (from, to, style) of a band that is wide enough."""
    for start, end, style in runs:
        if style.letter and panel.x(end) - panel.x(start) >= 14.0:
            panel.sheet.plate(panel.x((start + end) / 2.0), panel.top + panel.height / 2.0, style.letter, edge=False)
