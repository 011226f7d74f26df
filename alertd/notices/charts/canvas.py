"""Drawing surface in screen pixels, written as SVG: alone in a file, or inside a page.

Colors are classes, `f-ROLE` for a fill and `s-ROLE` for a stroke, so that one picture is light, dark or on paper as its
reader has it. A file carries its own style; inside a page the page's style sheet has the same classes. Widths of text
are those of DejaVu Sans, which is wider than the fonts of phones: text that does not overlap here does not there.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from alertd.notices.charts.palette import DARK, LIGHT, Style
from alertd.notices.charts.text_width import PLAIN, SMALL, text_width

Array: TypeAlias = NDArray[np.float64]

PHONE_PX: Final = 360
DESKTOP_PX: Final = 920
_BASELINE: Final = 1.05  # of the size, from the top of a line to its baseline; a line is 1.35 of the size high


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """Reader's settings: screen width, miles and feet or metric. bare: without heading, places in words and notes on
    the plan, for a page that has their content in its own text."""

    width_px: int = PHONE_PX
    metric: bool = False
    bare: bool = False

    @property
    def wide(self) -> bool:
        """Whether the screen is wider than a phone's."""
        return self.width_px >= 600


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chart:
    """A drawing, its title and its text alternative."""

    title: str
    alt_text: tuple[str, ...]
    canvas: "Canvas"

    def svg(self, *, light_only: bool = False) -> str:
        """Return a complete document; equal pictures give equal bytes.

        It follows the reader's light or dark setting, unless `light_only`, for a page that is always black on white.
        """
        sheet = self.canvas
        paper = f'<rect class="f-paper" width="{sheet.view.width_px}" height="{sheet.height_px:.0f}"/>'
        return self._element(self.alt_text, f"<style>{_style(light_only)}</style>{paper}") + "\n"

    def inline(self, description: Sequence[str] | None = None) -> str:
        """Return the element for a page, whose style sheet has the classes. description: instead of `alt_text`, where
        the page has these sentences itself."""
        return self._element(self.alt_text if description is None else description, "")

    def _element(self, description: Sequence[str], first: str) -> str:
        sheet = self.canvas
        wide, high = sheet.view.width_px, f"{sheet.height_px:.0f}"
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" role="img" class="alertd-picture p-{sheet.name} w{wide}" '
            f'viewBox="0 0 {wide} {high}" width="{wide}" height="{high}" font-size="{PLAIN:g}">'
            f"<title>{escape(self.title)}</title><desc>{escape(' '.join(description))}</desc>"
            f"{first}{sheet.markup()}</svg>"
        )


def _style(light_only: bool) -> str:
    """Light colors come first: viewers without media queries, and printers, still draw dark on white."""

    def rules(colors: Mapping[str, str]) -> str:
        return "".join(
            f".alertd-picture .f-{role}{{fill:{color}}}.alertd-picture .s-{role}{{stroke:{color}}}"
            for role, color in colors.items()
        )

    text = f".alertd-picture text{{font-family:system-ui,'DejaVu Sans',sans-serif;fill:{LIGHT['ink']}}}"
    if light_only:
        return f"{text}{rules(LIGHT)}"
    dark_text = f".alertd-picture text{{fill:{DARK['ink']}}}"
    return f"{text}{rules(LIGHT)}@media screen and (prefers-color-scheme:dark){{{dark_text}{rules(DARK)}}}"


class Canvas:
    """A page of a view's width, positioned in pixels from its top left corner. What is added later covers the earlier.

    name: class of the picture and beginning of its ids, so that several may be on one page.
    """

    def __init__(self, view: View, height_px: float, name: str) -> None:
        self.view, self.height_px, self.name = view, float(round(height_px)), name
        self.panels: dict[str, Panel] = {}
        self._parts: list[str] = []
        self._definitions: list[str] = []
        self._hatches: dict[Style, str] = {}

    def markup(self) -> str:
        """Return the content."""
        definitions = f"<defs>{''.join(self._definitions)}</defs>" if self._definitions else ""
        return definitions + "".join(self._parts)

    def add(self, *markup: str) -> None:
        """Add elements."""
        self._parts.extend(markup)

    def panel(
        self, name: str, area: tuple[float, float, float, float], x: tuple[float, float], y: tuple[float, float]
    ) -> "Panel":
        """Return a part of the page with coordinates of its own. area: left, top, width, height [px]; x: values at the
        left and right edge; y: at the bottom and top edge."""
        made = Panel(self, *area, *x, *y)
        self.panels[name] = made
        return made

    def define(self, element: str, content: str, attributes: str = "") -> str:
        """Add a definition and return its id."""
        name = f"{self.name}{self.view.width_px}-{len(self._definitions)}"
        self._definitions.append(f'<{element} id="{name}" {attributes}>{content}</{element}>')
        return name

    def filled(self, style: Style, kind: str = "") -> str:
        """Return the attributes that fill an element by a style: its color, with its hatch over it."""
        if not style.hatch:
            return f'class="f-{style.role}{kind and " " + kind}"'
        if style not in self._hatches:
            content = (
                f'<rect class="f-{style.role}" width="8" height="8"/>'
                f'<path class="s-hatch" fill="none" stroke-width=".9" d="{style.hatch}"/>'
            )
            where = (
                f'width="{style.tile_px:g}" height="{style.tile_px:g}" viewBox="0 0 8 8" patternUnits="userSpaceOnUse"'
            )
            self._hatches[style] = self.define("pattern", content, where)
        named = f' class="{kind}"' if kind else ""
        return f'fill="url(#{self._hatches[style]})"{named}'

    def text(
        self,
        x: float,
        top: float,
        text: str,
        size: float = PLAIN,
        *,
        anchor: str = "start",
        bold: bool = False,
        role: str = "",
    ) -> None:
        """Add a line of text; `top` is the top of the line. anchor: "start", "middle" or "end" of the text at x."""
        how = f' class="f-{role}"' if role else ""
        how += "" if anchor == "start" else f' text-anchor="{anchor}"'
        how += ' font-weight="bold"' if bold else ""
        how += "" if size == PLAIN else f' font-size="{size:g}"'
        self.add(f'<text x="{number(x)}" y="{number(top + _BASELINE * size)}"{how}>{escape(text)}</text>')

    def plate(
        self, x: float, y: float, text: str, *, inverse: bool = False, edge: bool = True, anchor: str = "middle"
    ) -> None:
        """Add bold letters on a plate of paper, or of ink if `inverse`, readable over any hatch; y is their middle."""
        wide, pad = text_width(text, SMALL, bold=True), 3.0 if edge else 1.0
        left = x - wide / 2.0 if anchor == "middle" else x
        paper, ink = ("ink", "paper") if inverse else ("paper", "ink")
        edged = " s-ink" if edge else ""
        half = SMALL / 2.0 + pad
        self.add(
            f'<rect class="f-{paper}{edged}" x="{number(left - pad)}" y="{number(y - half)}" '
            f'width="{number(wide + 2.0 * pad)}" height="{number(2.0 * half)}" rx="2"/>'
            f'<text class="f-{ink}" x="{number(left + wide / 2.0)}" y="{number(y + 0.36 * SMALL)}" '
            f'text-anchor="middle" font-weight="bold" font-size="{SMALL:g}">{escape(text)}</text>'
        )

    def line(
        self, xy: ArrayLike, width: float, *, role: str = "ink", dash: Sequence[float] = (), kind: str = ""
    ) -> None:
        """Add a line through points (n, 2) [px]. dash: lengths [px]."""
        self.lines([xy], width, role=role, dash=dash, kind=kind)

    def lines(
        self, many: Sequence[ArrayLike], width: float, *, role: str = "ink", dash: Sequence[float] = (), kind: str = ""
    ) -> None:
        """Add several lines as one element."""
        dashes = f' stroke-dasharray="{" ".join(f"{n:.3g}" for n in dash)}"' if dash else ""
        named = f" {kind}" if kind else ""
        d = "".join(map(path, many))
        self.add(f'<path class="s-{role}{named}" fill="none" stroke-width="{width:g}"{dashes} d="{d}"/>')

    def dot(self, x: float, y: float, radius: float, *, role: str = "paper") -> None:
        """Add a circle with an edge of ink."""
        at = f'cx="{number(x)}" cy="{number(y)}" r="{radius:g}"'
        self.add(f'<circle class="f-{role} s-ink" stroke-width="1.2" {at}/>')


@dataclass(frozen=True, slots=True, eq=False)
class Panel:
    """A part of a page with coordinates of its own: x_from at its left edge, y_from at its bottom."""

    sheet: Canvas = field(repr=False)
    left: float
    top: float
    width: float
    height: float
    x_from: float
    x_to: float
    y_from: float
    y_to: float

    def x(self, value: float) -> float:
        """Return the pixel of a value along the panel."""
        return self.left + (value - self.x_from) * self.width / (self.x_to - self.x_from)

    def y(self, value: float) -> float:
        """Return the pixel of a value up the panel."""
        return self.top + (self.y_to - value) * self.height / (self.y_to - self.y_from)

    def xy(self, x: ArrayLike, y: ArrayLike) -> Array:
        """Return points (n, 2) [px]."""
        across = self.left + (np.asarray(x, dtype=np.float64) - self.x_from) * self.width / (self.x_to - self.x_from)
        down = self.top + (self.y_to - np.asarray(y, dtype=np.float64)) * self.height / (self.y_to - self.y_from)
        return np.column_stack(np.broadcast_arrays(across, down))

    def fill(self, polygons: Iterable[ArrayLike], style: Style, kind: str = "", *, edge: bool = False) -> None:
        """Add closed polygons, (vertex, 2) each, as one element."""
        d = "".join(path(self.xy(*np.asarray(p, dtype=np.float64).T)) + "z" for p in polygons)
        if d:
            filled = self.sheet.filled(style, f"{kind} s-ink".strip() if edge else kind)
            self.sheet.add(f'<path {filled} d="{d}"/>')

    def frame(self) -> None:
        """Add a thin line round the panel."""
        self.sheet.add(f'<rect class="s-quiet" fill="none" stroke-width=".8" {self._area()}/>')

    def clip(self) -> None:
        """Clip what is added from here on to the panel, until `unclip`."""
        name = self.sheet.define("clipPath", f"<rect {self._area()}/>")
        self.sheet.add(f'<g clip-path="url(#{name})">')

    def unclip(self) -> None:
        """End a clip."""
        self.sheet.add("</g>")

    def _area(self) -> str:
        return (
            f'x="{number(self.left)}" y="{number(self.top)}" width="{number(self.width)}" '
            f'height="{number(self.height)}"'
        )


def number(value: float) -> str:
    """Return a number for an attribute, to a tenth of a pixel."""
    return f"{value:.1f}".removesuffix(".0")


def path(xy: ArrayLike) -> str:
    """Return a path through points (n, 2) [px], each as its step from the one before, without those that lie on the
    line between others."""
    points = np.round(simplified(np.asarray(xy, dtype=np.float64)), 1)
    (x, y), steps = points[0].tolist(), np.round(np.diff(points, axis=0), 1).tolist()
    return f"M{x:g} {y:g}l" + " ".join(f"{dx:g} {dy:g}" for dx, dy in steps)


def simplified(xy: Array, tolerance_px: float = 0.3) -> Array:
    """Return the points (n, 2) of a line that is nowhere farther from the given one than the tolerance.

    Douglas and Peucker, Cartographica 10(2), 1973, pp. 112-122.
    """
    keep = np.zeros(len(xy), dtype=np.bool_)
    keep[[0, -1]] = True
    parts = [(0, len(xy) - 1)]
    while parts:
        a, b = parts.pop()
        if b - a < 2:
            continue
        inner, along = xy[a + 1 : b] - xy[a], xy[b] - xy[a]
        length2 = float(along @ along)
        share = np.clip(inner @ along / length2, 0.0, 1.0) if length2 else np.zeros(len(inner))
        off = np.hypot(*(inner - share[:, None] * along).T)
        worst = int(off.argmax())
        if off[worst] > tolerance_px:
            keep[a + 1 + worst] = True
            parts += [(a, a + 1 + worst), (a + 1 + worst, b)]
    return np.asarray(xy[keep])
