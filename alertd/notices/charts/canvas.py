"""Drawing surface in screen pixels, exported as SVG or PNG. Only this module configures matplotlib.

Import it only where a picture is requested: matplotlib takes half a second to load. SVG keeps text as text. The layout
uses DejaVu Sans, which is wider than the fonts of phones, so text that does not overlap here does not overlap there.
"""

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final
from xml.etree import ElementTree

import matplotlib
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import text_to_path

from alertd.notices.charts.palette import DARK, LIGHT

# Set once: restoring a setting later would affect other threads. A user's own matplotlibrc must not change the
# pictures.
matplotlib.rcdefaults()
matplotlib.rcParams.update(
    {
        "font.sans-serif": ["DejaVu Sans", "sans-serif"],
        "svg.fonttype": "none",
        "svg.hashsalt": "alertd",
        "hatch.linewidth": 0.7,
        "text.parse_math": False,
        "path.simplify_threshold": 0.2,
    }
)

PHONE_PX: Final = 360
DESKTOP_PX: Final = 920
SMALL: Final = 11.0
PLAIN: Final = 12.0
HEAD: Final = 15.0
_DOT: Final = 72.0  # a figure's inch is 72 SVG units, and each unit is a pixel here
_SVG: Final = "http://www.w3.org/2000/svg"
_XLINK: Final = "http://www.w3.org/1999/xlink"


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """Reader's settings: screen width, light or dark, miles and feet or metric."""

    width_px: int = PHONE_PX
    dark: bool = False
    metric: bool = False

    def color(self, role: str) -> str:
        """Return the color of a role."""
        return (DARK if self.dark else LIGHT)[role]

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

    def svg(self) -> str:
        """Return a complete document; equal pictures give equal bytes.

        A picture drawn in a light view follows the reader's light or dark setting; one drawn in a dark view stays dark.
        """
        return _svg(self)

    def png(self, scale: float = 2.0) -> bytes:
        """Return a PNG for mail and print, `scale` dots per pixel of the view."""
        out = io.BytesIO()
        self.canvas.figure.savefig(
            out, format="png", dpi=_DOT * scale, metadata={"Software": None, "Title": self.title}
        )
        return out.getvalue()


class Canvas:
    """A page of a view's width, positioned in pixels from its top left corner."""

    def __init__(self, view: View, height_px: float) -> None:
        self.view, self.height_px = view, float(round(height_px))
        size = (view.width_px / _DOT, self.height_px / _DOT)
        self.figure = Figure(figsize=size, dpi=_DOT, facecolor=view.color("paper"))

    def axes(self, left: float, top: float, width: float, height: float) -> Axes:
        """Add axes without frame, ticks or margins."""
        w, h = self.view.width_px, self.height_px
        ax = self.figure.add_axes((left / w, 1.0 - (top + height) / h, width / w, height / h))
        ax.set_facecolor("none")
        ax.tick_params(length=0, colors=self.view.color("ink"), labelsize=SMALL, pad=3)
        for spine in ax.spines.values():
            spine.set_visible(False)
        ax.set_xticks([])
        ax.set_yticks([])
        return ax

    def text(self, x: float, top: float, text: str, size: float = PLAIN, **how: Any) -> None:
        """Add a line of text; `top` is the top of the line, which is 1.35 times `size` high."""
        how = {"color": self.view.color("ink"), "ha": "left", "va": "baseline", **how}
        y = top + 1.05 * size
        self.figure.text(x / self.view.width_px, 1.0 - y / self.height_px, text, fontsize=size, **how)


def text_width(text: str, size: float = PLAIN, *, bold: bool = False) -> float:
    """Return the width of a line of text in pixels."""
    prop = FontProperties(family="DejaVu Sans", size=size, weight="bold" if bold else "normal")
    return float(text_to_path.get_text_width_height_descent(text, prop, ismath=False)[0])


def wrap_text(text: str, width_px: float, size: float = PLAIN, *, bold: bool = False) -> list[str]:
    """Wrap text to a width; a wider word gets its own line."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer, size, bold=bold) <= width_px:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def _svg(picture: Chart) -> str:
    raw = io.BytesIO()
    FigureCanvasSVG(picture.canvas.figure).print_svg(  # type: ignore[no-untyped-call]
        raw, metadata=dict.fromkeys(("Date", "Creator", "Format", "Type"))
    )
    ElementTree.register_namespace("", _SVG)
    ElementTree.register_namespace("xlink", _XLINK)
    root = ElementTree.fromstring(raw.getvalue())  # noqa: S314  # matplotlib's own words, a line above
    width, height = picture.canvas.view.width_px, round(picture.canvas.height_px)
    root.attrib.update({"width": str(width), "height": str(height), "role": "img", "class": "alertd-picture"})
    root.attrib.pop("version", None)
    title, desc = ElementTree.Element(f"{{{_SVG}}}title"), ElementTree.Element(f"{{{_SVG}}}desc")
    title.text, desc.text = picture.title, " ".join(picture.alt_text)
    style = next(e for e in root.iter(f"{{{_SVG}}}style"))
    used: set[tuple[str, str]] = set()
    for e in root.iter():
        _lighten(e, used)
    style.text = _style(sorted(used))
    _drop_ids(root)
    _flatten(root)
    for i, e in enumerate((title, desc)):
        root.insert(i, e)
    return ElementTree.tostring(root, encoding="unicode") + "\n"


def _style(used: Sequence[tuple[str, str]]) -> str:
    """Light colors come first: viewers without media queries, and printers, still draw dark on white."""

    def rules(colors: dict[str, str]) -> str:
        return "".join(f".alertd-picture .{kind[0]}-{role}{{{kind}:{colors[role]}}}" for kind, role in used)

    return (
        ".alertd-picture text{font-family:'DejaVu Sans',sans-serif}"
        ".alertd-picture *{stroke-linejoin:round}"
        f"{rules(LIGHT)}@media screen and (prefers-color-scheme:dark){{{rules(DARK)}}}"
    )


_ROLE_OF: Final = {color: role for role, color in LIGHT.items()}
_NUMBER: Final = re.compile(r"-?\d+\.\d+")


def _lighten(e: ElementTree.Element, used: set[tuple[str, str]]) -> None:
    """Replace palette colors by classes and other styles by shorter attributes, and round numbers."""
    classes, kept = [], []
    for part in e.attrib.pop("style", "").split(";"):
        name, _, value = (x.strip() for x in part.partition(":"))
        if name in ("fill", "stroke") and value in _ROLE_OF:
            classes.append((name, _ROLE_OF[value]))
        elif name and name != "font-family" and part.strip() != "stroke-linejoin: round":
            kept.append(f"{name}:{value}")
    if e.get("fill") in _ROLE_OF:
        classes.append(("fill", _ROLE_OF[e.attrib.pop("fill")]))
    used.update(classes)
    if classes:
        e.set("class", " ".join(f"{kind[0]}-{role}" for kind, role in classes))
    if kept:
        e.set("style", ";".join(kept))
    for name in ("d", "x", "y", "width", "height", "transform", "points"):
        if name in e.attrib:
            numbers = " ".join(e.attrib[name].split())
            e.set(name, _NUMBER.sub(lambda m: f"{float(m.group()):.1f}".removesuffix(".0"), numbers))
    if e.get("transform", "").startswith("rotate(-0 "):
        del e.attrib["transform"]
    e.tail = None
    if e.text is not None and not e.text.strip():
        e.text = None


def _drop_ids(root: ElementTree.Element) -> None:
    """Drop ids without a reference: several pictures may be on one page."""
    markup = ElementTree.tostring(root, encoding="unicode")
    referenced = set(re.findall(r'(?:url\(#|href="#)([^")]+)', markup))
    for e in root.iter():
        if e.get("id") not in referenced:
            e.attrib.pop("id", None)


def _flatten(e: ElementTree.Element) -> None:
    """Replace groups without attributes by their content."""
    inside: list[ElementTree.Element] = []
    for child in list(e):
        _flatten(child)
        inside += list(child) if child.tag == f"{{{_SVG}}}g" and not child.attrib else [child]
    e[:] = inside
