"""Compiled inner loop of :mod:`nestcut.passes.makers.nests.nest_layups`: what a scrap is worth in each place of a lay-up."""

from __future__ import annotations

import numpy as np

from nestcut.placement.shapes.compiled import kernel

__all__ = ["allowed_at", "gains"]

_HAIR = 1e-4


@kernel
def _apart(ax0, ay0, ax1, ay1, b):
    return ax1 <= b[0] - _HAIR or ax0 >= b[2] + _HAIR or ay1 <= b[1] - _HAIR or ay0 >= b[3] + _HAIR


@kernel
def allowed_at(x, y, able, boxes, tiles, out):
    """Which cuts may be made with the scrap at (x, y): rim in the window (``able``), no other scrap under the rim."""
    for c in range(len(able)):
        out[c] = able[c]
        if able[c]:
            for tile in tiles:
                if not _apart(x + boxes[c, 0], y + boxes[c, 1], x + boxes[c, 2], y + boxes[c, 3], tile):
                    out[c] = False
                    break


@kernel
def gains(places, able, boxes, size, left, kind, copies, weights, rims, tiles, out):
    """For each place the weights of the dies that cut there, each once a copy; 0 where the scrap would cover a rim.

    Args:
        places: (places, 2) corners of the scrap's box; size: its sides.
        able: (places, cuts): the rim lies in the window. boxes: (cuts, 4) of the rims, the scrap at (0, 0).
        left: (cuts,) cuts that are still to be made; kind: (cuts,) their dies.
        copies, weights: of the dies.
        rims, tiles: (n, 4) boxes of what lies already.
    """
    count = np.zeros(len(copies), np.int64)
    for p in range(len(places)):
        x, y = places[p, 0], places[p, 1]
        out[p] = 0.0
        covered = False
        for rim in rims:
            if not _apart(x, y, x + size[0], y + size[1], rim):
                covered = True
                break
        if covered:
            continue
        count[:] = 0
        total = 0.0
        for c in range(len(kind)):
            d = kind[c]
            if left[c] <= 0 or not able[p, c] or count[d] >= copies[d]:
                continue
            free = True
            for tile in tiles:
                if not _apart(x + boxes[c, 0], y + boxes[c, 1], x + boxes[c, 2], y + boxes[c, 3], tile):
                    free = False
                    break
            if free:
                count[d] += 1
                total += weights[d]
        out[p] = total
