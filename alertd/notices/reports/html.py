"""HTML helpers of pages and mails: text is always escaped, and styles are inline.

Mail programs drop style sheets. Black on white carries all content; color only repeats it.
"""

from collections.abc import Iterable, Sequence
from html import escape
from typing import Final

FONT: Final = "font-family:Verdana,'DejaVu Sans',Geneva,sans-serif"
INK: Final = "#1b1b1b"
LINE: Final = "#9a9a94"
_CELL: Final = f"padding:3px 10px 3px 0;vertical-align:top;text-align:left;border-bottom:1px solid {LINE}"
_SHEET: Final = (
    "body{margin:0;background:#ffffff}table{border-collapse:collapse}"
    "@page{size:letter;margin:14mm 12mm}"
    "@media print{h2,h3,tr,img{break-inside:avoid}h2,h3{break-after:avoid}}"
)


def document(title: str, body: str) -> str:
    """Return a complete page without external resources."""
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta name="viewport" content="width=device-width,initial-scale=1"><title>{escape(title)}</title>'
        f'<style>{_SHEET}</style></head><body>\n<div style="{FONT};font-size:14px;line-height:1.45;color:{INK};'
        f'max-width:720px;margin:0 auto;padding:12px">\n{body}\n</div></body></html>\n'
    )


def heading(text: str, note: str = "") -> str:
    """Return a section title with a black rule above it and a note beside it."""
    beside = f' <span style="font-weight:normal;font-size:13px">{escape(note)}</span>' if note else ""
    style = f"font-size:16px;margin:22px 0 6px;padding-top:6px;border-top:3px solid {INK}"
    return f'<h2 style="{style}">{escape(text)}{beside}</h2>'


def line(text: str, *, strong: bool = False, small: bool = False) -> str:
    """Return a paragraph."""
    weight, size = ("font-weight:bold;" if strong else ""), ("font-size:12px;" if small else "")
    return f'<p style="margin:3px 0;{weight}{size}">{escape(text)}</p>'


def bullets(lines: Iterable[str]) -> str:
    """Return a bulleted list."""
    items = "".join(f'<li style="margin:3px 0">{escape(text)}</li>' for text in lines)
    return f'<ul style="margin:4px 0;padding-left:20px">{items}</ul>'


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a table of text under a header; markup in it is escaped."""
    top = "".join(f'<th scope="col" style="{_CELL};border-bottom:2px solid {INK}">{escape(h)}</th>' for h in head)
    body = "".join(f"<tr>{''.join(f'<td style={_q(_CELL)}>{escape(c)}</td>' for c in row)}</tr>" for row in rows)
    return f'<table style="width:100%;font-size:13px"><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>'


def _q(style: str) -> str:
    return f'"{style}"'
