"""Finds where a line crosses the edges of outlines."""

from typing import Final

import numpy as np

from alertd.route.model import Array

BLOCK_CHORDS: Final = 64  # of the line, whose box is compared with each edge first
_PAIRS: Final = 4096  # of a block and an edge, computed at once: 2 MB an array
_REACH: Final = 1e-9  # share of a chord or an edge that counts beyond its ends, so that rounding misses no crossing


def edges_of(rings: tuple[Array, ...]) -> Array:
    """The edges (edge, 4) of rings (vertex, 2): x and y of the start, x and y of the end. An open ring is closed."""
    return np.concatenate([np.concatenate((ring, np.roll(ring, -1, axis=0)), axis=1) for ring in rings])


def ring_crossings(x: Array, y: Array, edges: Array) -> Array:
    """Places where the line of points (point,) meets the edges (edge, 4), in no order.

    A place is the index of a point plus the share of the chord after it. A line that meets a vertex has a place for
    each of the two edges. A chord that lies in an edge has none there: its ends meet the edges beside.
    """
    chords_n = x.size - 1
    blocks_n = -(-chords_n // BLOCK_CHORDS)
    points = np.minimum(np.arange(blocks_n * BLOCK_CHORDS + 1), chords_n)  # the last point again, up to a whole block
    low, high, start, step = [], [], [], []
    for values in (x[points], y[points]):
        of_block = values[:-1].reshape(blocks_n, BLOCK_CHORDS)
        low.append(np.minimum(of_block.min(axis=1), values[BLOCK_CHORDS::BLOCK_CHORDS]))
        high.append(np.maximum(of_block.max(axis=1), values[BLOCK_CHORDS::BLOCK_CHORDS]))
        start.append(of_block)
        step.append(np.diff(values).reshape(blocks_n, BLOCK_CHORDS))
    bottom, top = np.minimum(edges[:, :2], edges[:, 2:]).T, np.maximum(edges[:, :2], edges[:, 2:]).T
    here = np.ones(len(edges), dtype=np.bool_)
    for axis in range(2):
        here &= (bottom[axis] <= high[axis].max()) & (top[axis] >= low[axis].min())
    near = np.flatnonzero(here)
    meets = np.ones((blocks_n, near.size), dtype=np.bool_)
    for axis in range(2):
        meets &= (bottom[axis, near] <= high[axis][:, None]) & (top[axis, near] >= low[axis][:, None])
    blocks, columns = np.nonzero(meets)
    numbers = near[columns]
    places = [np.zeros(0)]
    for i in range(0, blocks.size, _PAIRS):
        block, number = blocks[i : i + _PAIRS], numbers[i : i + _PAIRS]
        edge_x, edge_y, end_x, end_y = edges[number].T[:, :, None]
        edge_dx, edge_dy = end_x - edge_x, end_y - edge_y
        dx, dy = step[0][block], step[1][block]
        to_x, to_y = edge_x - start[0][block], edge_y - start[1][block]
        turn = dx * edge_dy - dy * edge_dx
        with np.errstate(invalid="ignore", divide="ignore"):
            on_chord = (to_x * edge_dy - to_y * edge_dx) / turn
            on_edge = (to_x * dy - to_y * dx) / turn
        # |2 share - 1| <= 1 means within the ends; parallel ones give NaN or infinity, which is not
        row, column = np.nonzero((np.abs(on_chord - 0.5) <= 0.5 + _REACH) & (np.abs(on_edge - 0.5) <= 0.5 + _REACH))
        places.append(block[row] * BLOCK_CHORDS + column + np.clip(on_chord[row, column], 0.0, 1.0))
    return np.concatenate(places)
