"""Draws the rig from above with the tires to chain, as terminal text and as SVG. Front at the top.

Hatching, a heavy edge and the letter C mark a chained tire; color only repeats it.
"""

from collections.abc import Collection, Iterator, Sequence
from html import escape
from textwrap import wrap
from typing import Final

from alertd.notices.charts.canvas import Canvas, Chart, View
from alertd.rules.rig import Axle, AxleRole, Rig, Side, Tire, TirePlace
from alertd.rules.tire_text import axle_name, tires_line

_TIRE_W: Final = 20
_TIRE_H: Final = 36
_ROW_H: Final = 50
_UNIT_GAP: Final = 34
_TRACK: Final = {"left": 68, "right": 182}  # middle of the single tire, or of the gap in the dual pair
_LABELS_X: Final = 240
_WIDTH: Final = 360  # a phone's width, used everywhere, so that a tire has the same size on paper
_MIDDLE: Final = (_TRACK["left"] + _TRACK["right"]) / 2
_LINE_H: Final = 17
_LINE_LETTERS: Final = 46  # that fit the width in the widest of the usual fonts
_HEAD_LETTERS: Final = 34
_CENTERED: Final = ' text-anchor="middle"'


def axle_text(rig: Rig, tires: Collection[Tire]) -> str:
    """Return one row per axle: [C] a chained tire, [ ] an unchained one; the outer box is the outside tire."""
    chained = frozenset(tires)
    lines = [f"{'':22}{'left':<8}{'front':^5}{'right':>8}"]
    for i, axle in enumerate(rig.axles):
        if i and axle.unit != rig.axles[i - 1].unit:
            lines.append("")
        row = "-----".join("".join(_box(t in chained) for t in side) for side in _by_side(i, axle))
        lines.append(f"{_label(rig, i):<24}{row:^25}".rstrip())
    return "\n".join([*lines, "", "[C] chain   [ ] no chain   outer box: outside tire"])


def _box(chained: bool) -> str:
    return "[C]" if chained else "[ ]"


def _by_side(axle_idx: int, axle: Axle) -> tuple[tuple[Tire, ...], tuple[Tire, ...]]:
    """The axle's tires from left to right: those of the left side and those of the right side."""
    places: tuple[TirePlace, ...] = ("outside", "inside") if axle.dual else ("single",)
    left: Side = "left"
    right: Side = "right"
    return (
        tuple(Tire(axle_idx, left, place) for place in places),
        tuple(Tire(axle_idx, right, place) for place in reversed(places)),
    )


def _label(rig: Rig, axle_idx: int) -> str:
    axle = rig.axles[axle_idx]
    return axle_name(rig, axle_idx) + (" (lift)" if axle.lift else "")


def axle_svg(rig: Rig, tires: Collection[Tire], title: str, lines: Sequence[str] = ()) -> str:
    """Return a complete SVG document, readable without color, in light, dark and print.

    title: the subject, for the heading and for readers who cannot see the picture. lines: shown below it, e.g. the
    law's text and its doubts.
    """
    return axle_chart(rig, tires, title, lines).svg()


def axle_chart(
    rig: Rig, tires: Collection[Tire], title: str, lines: Sequence[str] = (), *, bare: bool = False
) -> Chart:
    """Draw the rig. bare: without heading and text below it, for a page that has them in its own text."""
    chained = frozenset(tires)
    description = tires_line(rig, chained)
    below = [*wrap(f"Chain {len(chained)} tires: {description}" if chained else "No tire is asked.", _LINE_LETTERS)]
    for line in lines:
        below += wrap(line, _LINE_LETTERS)
    head = [] if bare else wrap(title, _HEAD_LETTERS)
    below = [] if bare else below
    top = (30 if head else 10) + len(head) * 20 + _LINE_H
    rows_y = list(_rows(rig, top))
    bottom = rows_y[-1] + _ROW_H
    sheet = Canvas(View(width_px=_WIDTH, bare=bare), bottom + 44 + len(below) * _LINE_H, "axles")
    sheet.add(
        '<g font-size="13">',
        *(_text(10, 28 + i * 20, line, "head", ' font-weight="bold" font-size="15"') for i, line in enumerate(head)),
        _text(_TRACK["left"], top - 14, "left", "side", _CENTERED),
        _text(_MIDDLE, top - 14, "front ▲", "side", _CENTERED),
        _text(_TRACK["right"], top - 14, "right", "side", _CENTERED),
        *_bodies(rig, rows_y),
    )
    for i, (axle, y) in enumerate(zip(rig.axles, rows_y, strict=True)):
        sheet.add(*_axle(rig, i, axle, y, chained))
    sheet.add(*_key(10, bottom + 10))
    sheet.add(*(_text(10, bottom + 44 + i * _LINE_H, line) for i, line in enumerate(below)), "</g>")
    words = f"{rig.name}, seen from above, front at the top. {description}."
    return Chart(title=title, alt_text=(words,), canvas=sheet)


def _rows(rig: Rig, top: int) -> Iterator[int]:
    """Yield the y of each axle's middle."""
    y = top + _ROW_H // 2
    for i, axle in enumerate(rig.axles):
        if i:
            before = rig.axles[i - 1]
            close = before.unit == axle.unit and (before.role is axle.role or axle.role is AxleRole.TAG)
            y += _ROW_H if close else _ROW_H + _UNIT_GAP
        yield y


def _bodies(rig: Rig, rows_y: Sequence[int]) -> Iterator[str]:
    """Yield each unit's outline, so that tractor and trailers are distinct."""
    bottom = 0
    for unit in range(rig.towed_units + 1):
        ys = [y for axle, y in zip(rig.axles, rows_y, strict=True) if axle.unit == unit]
        top = ys[0] - _TIRE_H // 2 - 6
        if unit:
            ends = f'x1="{_MIDDLE}" x2="{_MIDDLE}" y1="{bottom}" y2="{top}"'
            yield f'<line class="body s-quiet" stroke-width="1.5" {ends}/>'
        bottom = ys[-1] + _TIRE_H // 2 + 6
        radius = 3 if unit else 22
        area = f'x="{_MIDDLE - 42}" y="{top}" width="84" height="{bottom - top}" rx="{radius}"'
        yield f'<rect class="body s-quiet" fill="none" stroke-width="1.5" {area}/>'


def _axle(rig: Rig, axle_idx: int, axle: Axle, y: int, chained: Collection[Tire]) -> Iterator[str]:
    yield f'<line class="axle s-ink" stroke-width="3" x1="{_TRACK["left"]}" x2="{_TRACK["right"]}" y1="{y}" y2="{y}"/>'
    for side in _by_side(axle_idx, axle):
        for k, tire in enumerate(side):
            x = _TRACK[tire.side] + (k - (len(side) - 1) / 2) * (_TIRE_W + 5)
            yield from _tire(x, y, chained=tire in chained)
    yield _text(_LABELS_X, y + 5, _label(rig, axle_idx))


def _tire(x: float, y: float, *, chained: bool) -> Iterator[str]:
    left, top = x - _TIRE_W / 2, y - _TIRE_H / 2
    box = f'x="{left}" y="{top}" width="{_TIRE_W}" height="{_TIRE_H}" rx="4"'
    if not chained:
        yield f'<rect class="bare f-paper s-ink" stroke-width="1.5" {box}/>'
        return
    yield f'<rect class="mark f-mark" {box}/>'
    for step in (4, 11, 25, 32):
        ends = f'x1="{left + 1}" y1="{top + step + 3}" x2="{left + _TIRE_W - 1}" y2="{top + step - 3}"'
        yield f'<line class="hatch s-ink" stroke-width="2" {ends}/>'
    yield f'<rect class="edge s-ink" fill="none" stroke-width="4" {box}/>'
    yield f'<circle class="plate f-paper s-ink" stroke-width="1.5" cx="{x}" cy="{y}" r="8.5"/>'
    yield _text(x, y + 4.7, "C", "letter", f' font-weight="bold"{_CENTERED}')


def _key(x: int, y: int) -> Iterator[str]:
    yield f'<g transform="translate({x} {y}) scale(0.5)">'
    yield from _tire(12, 20, chained=True)
    yield from _tire(152, 20, chained=False)
    yield "</g>"
    yield _text(x + 20, y + 15, "chain")
    yield _text(x + 90, y + 15, "no chain")


def _text(x: float, y: float, text: str, kind: str = "", how: str = "") -> str:
    name = f' class="{kind}"' if kind else ""
    return f'<text{name} x="{x}" y="{y}"{how}>{escape(text)}</text>'
