"""Kernels of `laterals`: profiles drawn over the ground, thinned, and cut at the last emitter."""

import math

import numba
import numpy as np

from farmgis.terrain.surface_kernel import height


@numba.njit(cache=True, nogil=True)
def thin(s, z, count, tolerance, keep):
    """Fill `keep` with the indices of the points that hold a profile within a tolerance; return how many.

    From each kept point the next is the last for which some straight line passes every point between
    within the tolerance (a cone that narrows).
    """
    keep[0] = 0
    kept = 1
    anchor = 0
    low, high = -math.inf, math.inf
    i = 1
    while i < count:
        run = s[i] - s[anchor]
        slope = (z[i] - z[anchor]) / run
        if i > anchor + 1 and not (low <= slope <= high):
            anchor = i - 1
            keep[kept] = anchor
            kept += 1
            low, high = -math.inf, math.inf
            continue
        low = max(low, (z[i] - tolerance - z[anchor]) / run)
        high = min(high, (z[i] + tolerance - z[anchor]) / run)
        i += 1
    keep[kept] = count - 1
    return kept + 1


@numba.njit(cache=True, nogil=True)
def draw(z, x0, y0, cell, path, at, spacing, step, tolerance, points, offsets, emitters):
    """Draw laterals along paths on the map, `path[at[k]:at[k + 1]]`; fill `points`, `offsets`, `emitters`.

    `points` (many, 3) has room for every sample. Bends are kept, between them the profile is thinned.
    The drawn line ends at its last emitter, at whole spacings along the slope. Returns how many points
    were used.
    """
    used = 0
    offsets[0] = 0
    for k in range(at.size - 1):
        first = used
        room = 0
        for i in range(at[k], at[k + 1] - 1):
            room = max(room, _pieces(path, i, step))
        s, ground, keep = np.empty(room + 1), np.empty(room + 1), np.empty(room + 1, np.int64)
        for i in range(at[k], at[k + 1] - 1):
            pieces = _pieces(path, i, step)
            dx, dy = path[i + 1, 0] - path[i, 0], path[i + 1, 1] - path[i, 1]
            plan = math.hypot(dx, dy)
            for j in range(pieces + 1):
                t = j / pieces
                s[j] = t * plan
                ground[j] = height(z, x0, y0, cell, path[i, 0] + t * dx, path[i, 1] + t * dy)
            kept = thin(s, ground, pieces + 1, tolerance, keep)
            for j in range(0 if i == at[k] else 1, kept):
                t = s[keep[j]] / plan
                points[used, 0], points[used, 1] = path[i, 0] + t * dx, path[i, 1] + t * dy
                points[used, 2] = ground[keep[j]]
                used += 1
        used, emitters[k] = _cut(points, first, used, spacing)
        offsets[k + 1] = used
    return used


@numba.njit(cache=True, nogil=True, inline="always")
def _pieces(path, i, step):
    return max(1, math.ceil(math.hypot(path[i + 1, 0] - path[i, 0], path[i + 1, 1] - path[i, 1]) / step))


@numba.njit(cache=True, nogil=True)
def _cut(points, first, last, spacing):
    """Cut the line `points[first:last]` at its last emitter; return (its new end, emitters)."""
    length = 0.0
    for i in range(first, last - 1):
        length += _run(points, i)
    emitters = int(length / spacing + 1e-6)
    left = emitters * spacing
    for i in range(first, last - 1):
        run = _run(points, i)
        if left <= run:
            t = min(1.0, left / run)
            for d in range(3):
                points[i + 1, d] = points[i, d] + t * (points[i + 1, d] - points[i, d])
            return i + 2, emitters
        left -= run
    return last, emitters


@numba.njit(cache=True, nogil=True)
def emitter_ground(points, first, last, spacing, emitters, out):
    """Fill `out` with the ground at each emitter of a drawn line, whole spacings from its inlet."""
    i = first
    before = 0.0
    run = _run(points, i)
    for e in range(emitters):
        at = (e + 1) * spacing
        while at > before + run + 1e-9 and i + 2 < last:
            before += run
            i += 1
            run = _run(points, i)
        t = min(1.0, (at - before) / run)
        out[e] = points[i, 2] + t * (points[i + 1, 2] - points[i, 2])


@numba.njit(cache=True, nogil=True, inline="always")
def _run(points, i):
    dx = points[i + 1, 0] - points[i, 0]
    dy = points[i + 1, 1] - points[i, 1]
    dz = points[i + 1, 2] - points[i, 2]
    return math.sqrt(dx * dx + dy * dy + dz * dz)
