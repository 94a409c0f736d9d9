"""Kernels of `curves`: from a place on curved rows to the map, and back.

The row at v has its vertex k at u = `base[k]` + v `turn[k]`.
"""

import math

import numba


@numba.njit(cache=True, inline="always")
def _edge_at(base, turn, u, v):
    """Return the edge of the row at v on which u lies; the first or last one beyond the ends."""
    low, high = 0, base.size - 1
    while high - low > 1:
        middle = (low + high) // 2
        if base[middle] + v * turn[middle] <= u:
            low = middle
        else:
            high = middle
    return low


@numba.njit(cache=True)
def bend(points, normals, base, turn, u, v, out):
    """Fill `out` (n, 2) with x, y of places u, v."""
    for i in range(u.size):
        k = _edge_at(base, turn, u[i], v[i])
        _place(points, normals, base, turn, k, u[i], v[i], out, i)


@numba.njit(cache=True, inline="always")
def _place(points, normals, base, turn, k, u, v, out, i):
    start = base[k] + v * turn[k]
    t = (u - start) / max(base[k + 1] + v * turn[k + 1] - start, 1e-9)
    ax, ay = points[k, 0] + v * normals[k, 0], points[k, 1] + v * normals[k, 1]
    bx, by = points[k + 1, 0] + v * normals[k + 1, 0], points[k + 1, 1] + v * normals[k + 1, 1]
    out[i, 0] = ax + t * (bx - ax)
    out[i, 1] = ay + t * (by - ay)


@numba.njit(cache=True)
def straighten(points, normals, base, turn, x, y, out):
    """Fill `out` (n, 3) with u, v and the edge of points: of the edges beside which one lies, the nearest.

    Where it lies beside none (the inside of a bend), that which it misses least.
    """
    last = base.size - 2
    for i in range(x.size):
        best, found = math.inf, 0
        for k in range(last + 1):
            ex, ey = points[k + 1, 0] - points[k, 0], points[k + 1, 1] - points[k, 1]
            edge = math.hypot(ex, ey)
            tx, ty = ex / edge, ey / edge
            dx, dy = x[i] - points[k, 0], y[i] - points[k, 1]
            v = dx * ty - dy * tx
            along = dx * tx + dy * ty - v * (normals[k, 0] * tx + normals[k, 1] * ty)
            length = base[k + 1] - base[k] + v * (turn[k + 1] - turn[k])
            miss = 0.0
            if along < 0.0 and k > 0:
                miss = -along
            if along > length and k < last:
                miss = max(miss, along - length)
            if length <= 0.0:
                miss += 1e6
            rank = abs(v) + 1e3 * max(miss - 1e-9, 0.0)
            if rank < best:
                best, found = rank, k
                out[i, 0] = base[k] + v * turn[k] + along
                out[i, 1] = v
        out[i, 2] = found


@numba.njit(cache=True)
def paths(points, normals, base, turn, start, end, v, out, offsets):
    """Fill `out` and `offsets` with the pieces of rows from `start` to `end`, vertex by vertex."""
    used = 0
    offsets[0] = 0
    for i in range(start.size):
        a, b = start[i], end[i]
        k, last = _edge_at(base, turn, a, v[i]), _edge_at(base, turn, b, v[i])
        _place(points, normals, base, turn, k, a, v[i], out, used)
        used += 1
        step = 1 if b >= a else -1
        j = k + 1 if step == 1 else k
        while j != (last + 1 if step == 1 else last):
            at = base[j] + v[i] * turn[j]
            if abs(at - a) > 1e-6 and abs(at - b) > 1e-6:
                out[used, 0] = points[j, 0] + v[i] * normals[j, 0]
                out[used, 1] = points[j, 1] + v[i] * normals[j, 1]
                used += 1
            j += step
        _place(points, normals, base, turn, last, b, v[i], out, used)
        used += 1
        offsets[i + 1] = used
