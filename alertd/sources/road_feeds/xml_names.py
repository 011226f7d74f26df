"""Finds XML elements by local name, whatever their namespace."""

from xml.etree.ElementTree import Element


def local(e: Element) -> str:
    """The name of an element without its namespace."""
    return e.tag.rpartition("}")[2]


def children(e: Element | None, name: str) -> list[Element]:
    """The direct children of a name; none of no element."""
    return [] if e is None else [c for c in e if local(c) == name]


def child(e: Element | None, name: str) -> Element | None:
    """The first direct child of a name."""
    return next(iter(children(e, name)), None)


def under(e: Element | None, *names: str) -> Element | None:
    """The first descendant along a path of names."""
    for name in names:
        e = child(e, name)
    return e


def text(e: Element | None) -> str:
    """The text of an element on one line, "" without one."""
    return "" if e is None else " ".join((e.text or "").split())
