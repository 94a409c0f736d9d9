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
def draw(z, x0, y0, cell, inlet, end, spacing, step, tolerance, points, offsets, emitters):
    """Draw laterals from `inlet` to `end`, both (laterals, 2); fill `points`, `offsets`, `emitters`.

    `points` (many, 3) has room for every sample. The drawn line ends at its last emitter, at whole
    spacings along the slope. Returns how many points were used.
    """
    used = 0
    offsets[0] = 0
    for k in range(inlet.shape[0]):
        plan = math.hypot(end[k, 0] - inlet[k, 0], end[k, 1] - inlet[k, 1])
        emitters[k] = 0
        pieces = max(1, math.ceil(plan / step))
        s = np.empty(pieces + 1)
        ground = np.empty(pieces + 1)
        for i in range(pieces + 1):
            t = i / pieces
            s[i] = t * plan
            ground[i] = height(
                z, x0, y0, cell,
                inlet[k, 0] + t * (end[k, 0] - inlet[k, 0]), inlet[k, 1] + t * (end[k, 1] - inlet[k, 1]),
            )  # fmt: skip
        keep = np.empty(pieces + 1, np.int64)
        kept = thin(s, ground, pieces + 1, tolerance, keep)
        length = 0.0
        for i in range(1, kept):
            length += math.hypot(s[keep[i]] - s[keep[i - 1]], ground[keep[i]] - ground[keep[i - 1]])
        emitters[k] = int(length / spacing + 1e-6)
        left = emitters[k] * spacing
        points[used, 0], points[used, 1], points[used, 2] = inlet[k, 0], inlet[k, 1], ground[0]
        used += 1
        for i in range(1, kept):
            if left <= 1e-9:
                break
            a, b = keep[i - 1], keep[i]
            run = math.hypot(s[b] - s[a], ground[b] - ground[a])
            t = min(1.0, left / run)
            at = (s[a] + t * (s[b] - s[a])) / plan
            points[used, 0] = inlet[k, 0] + at * (end[k, 0] - inlet[k, 0])
            points[used, 1] = inlet[k, 1] + at * (end[k, 1] - inlet[k, 1])
            points[used, 2] = ground[a] + t * (ground[b] - ground[a])
            used += 1
            left -= t * run
        offsets[k + 1] = used
    return used


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
