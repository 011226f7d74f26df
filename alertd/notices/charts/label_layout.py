"""Places labels without overlap: in rows above a line, or around places on a map."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

_GAP_PX: Final = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelPosition:
    """Row 0 is the lowest. `left_px` is the left edge of the label."""

    row: int
    left_px: float


def place_labels(at_px: Sequence[float], widths_px: Sequence[float], room_px: float) -> list[LabelPosition]:
    """Place each label in the lowest row where it fits: centred on its place if possible, else to one side.

    Labels come in order of importance: the first are the lowest. A label wider than the room starts at its left edge.
    """
    placed: list[tuple[int, float, float, float]] = []
    for at, width in zip(at_px, widths_px, strict=True):
        breakers = range(len(placed) + 1)
        choices = [
            (row, left, stems) for stems in (True, False) for row in breakers for left in _lefts(at, width, room_px)
        ]
        row, left, _ = next(c for c in choices if _free(placed, c[0], at, c[1], c[1] + width, stems=c[2]))
        placed.append((row, at, left, left + width))
    return [LabelPosition(row=row, left_px=left) for row, _, left, _ in placed]


def _lefts(at: float, width: float, room: float) -> list[float]:
    wanted = (at - width / 2.0, at - width + 6.0, at - 6.0)
    return [max(0.0, min(x, room - width)) for x in wanted]


def _free(
    placed: Sequence[tuple[int, float, float, float]],
    row: int,
    at: float,
    left: float,
    right: float,
    *,
    stems: bool,
) -> bool:
    """Whether a label may be there: clear of the labels in its row and, if `stems`, of all stems.

    Two labels of one place cannot avoid stems: the upper one's stem then runs behind the lower one.
    """
    for other, stem, a, b in placed:
        if other == row and left < b + _GAP_PX and right > a - _GAP_PX:
            return False
        if stems and other < row and a - 2.0 < at < b + 2.0:
            return False
        if stems and other > row and left - 2.0 < stem < right + 2.0:
            return False
    return True


def place_around(
    at_px: Sequence[tuple[float, float]],
    sizes_px: Sequence[tuple[float, float]],
    room_px: tuple[float, float],
    avoid_px: Sequence[tuple[float, float]],
    needed: Sequence[bool],
) -> list[tuple[float, float] | None]:
    """Return the middle of each label near its place and inside the room; None for an omitted label.

    Labels come in order of importance. Each goes where it covers least: labels weigh most, then the lines between
    labels and places, then points to avoid. Of equal positions the nearer wins. A label that is not needed is omitted
    if it would cover a label or cross such a line.
    """
    taken: list[_Box] = []
    ties: list[tuple[float, float]] = []
    out: list[tuple[float, float] | None] = []
    for at, (w, h), keep in zip(at_px, sizes_px, needed, strict=True):
        tried = []
        for n, (dx, dy) in enumerate(_AROUND):
            cx = min(max(at[0] + dx * (w / 2.0 + 8.0), w / 2.0), room_px[0] - w / 2.0)
            cy = min(max(at[1] + dy * (h / 2.0 + 8.0), h / 2.0), room_px[1] - h / 2.0)
            box = (cx - w / 2.0 - 3.0, cx + w / 2.0 + 3.0, cy - h / 2.0 - 3.0, cy + h / 2.0 + 3.0)
            tie = _along(at, (cx, cy))
            cost = 100.0 * sum(_overlap(box, other) for other in taken) + n
            cost += 60.0 * (sum(_inside(p, box) for p in ties) + sum(_inside(p, other) for p in tie for other in taken))
            cost += 4.0 * sum(_inside(p, box) for p in avoid_px)
            tried.append((cost, cx, cy))
        cost, cx, cy = min(tried)
        if cost >= 60.0 and not keep:
            out.append(None)
            continue
        taken.append((cx - w / 2.0, cx + w / 2.0, cy - h / 2.0, cy + h / 2.0))
        ties += _along(at, (cx, cy))
        out.append((cx, cy))
    return out


_Box: TypeAlias = tuple[float, float, float, float]  # left, right, low, high
# Above and below first, then the sides, then the same farther away.
_AROUND: Final = tuple(
    (far * dx, far * dy)
    for far in (1.0, 1.9, 3.0)
    for dx, dy in ((0.0, 1.0), (0.0, -1.0), (1.0, 1.0), (-1.0, 1.0), (1.0, -1.0), (-1.0, -1.0), (1.0, 0.0), (-1.0, 0.0))
)


def _along(start: tuple[float, float], end: tuple[float, float], parts: int = 12) -> list[tuple[float, float]]:
    return [
        (start[0] + (end[0] - start[0]) * i / parts, start[1] + (end[1] - start[1]) * i / parts)
        for i in range(parts + 1)
    ]


def _inside(point: tuple[float, float], box: _Box) -> bool:
    return box[0] < point[0] < box[1] and box[2] < point[1] < box[3]


def _overlap(a: _Box, b: _Box) -> float:
    """Area that two boxes share."""
    return max(0.0, min(a[1], b[1]) - max(a[0], b[0])) * max(0.0, min(a[3], b[3]) - max(a[2], b[2]))
