"""Kernel of `tree`: Newton on all heads of a rooted tree, the linear system solved in two sweeps.

Node 0 is the root; `parent[i] < i`. Link i joins node i to its parent. SI units.
"""

import math

import numba
import numpy as np

from farmgis.hydraulics.emitters_kernel import emitter_flow
from farmgis.hydraulics.friction_kernel import loss_per_metre

FIXED_HEAD, TOTAL_FLOW, LEAST_HEAD = 0, 1, 2


@numba.njit(cache=True)
def _assemble(parent, z, length, minor, size, rows, outlet, law, demand, head, flow, a, b, c, d):
    """Sweep from the leaves to the root: flows, energy errors and the eliminated Newton system.

    Fills `flow`, and `a, b, c, d` such that d_head[i] = c[i] * d_head[parent] + d[i] and the change of
    the flow into node i is a[i] + b[i] * d_head[i]. Returns the greatest error and the sum of squares.
    """
    n = parent.size
    for i in range(n):
        q, slope = 0.0, 0.0
        if outlet[i] > 0:
            q, slope = emitter_flow(head[i], law)
        flow[i] = outlet[i] * q + demand[i]
        a[i] = 0.0
        b[i] = outlet[i] * slope
    greatest = 0.0
    squares = 0.0
    for i in range(n - 1, 0, -1):
        p = parent[i]
        row = rows[size[i]]
        q = flow[i]
        loss, gradient = loss_per_metre(q, row)
        loss = loss * length[i] + minor[i] * row[8] * q * q
        gradient = gradient * length[i] + 2.0 * minor[i] * row[8] * q
        error = head[p] + z[p] - head[i] - z[i] - loss
        greatest = max(greatest, abs(error))
        squares += error * error
        c[i] = 1.0 / (1.0 + gradient * b[i])
        d[i] = c[i] * (error - gradient * a[i])
        flow[p] += q
        a[p] += a[i] + b[i] * d[i]
        b[p] += b[i] * c[i]
    return greatest, squares


@numba.njit(cache=True)
def _root(mode, target, parent, outlet, head, flow, a, b, c, d, held):
    """Return (how far the root's head is from what is aimed at, Newton's step of it); scratch: `held`."""
    if mode == FIXED_HEAD:
        return target - head[0], target - head[0]
    if mode == TOTAL_FLOW:
        if b[0] <= 0.0:
            return 0.0, 0.0
        return (target - flow[0]) / b[0], (target - flow[0] - a[0]) / b[0]
    # every emitter's head is to be at least the target after the step: held[i] is what the step does with
    # the root held, b is no longer wanted and becomes the share of the root's own step that reaches i
    lowest = math.inf
    rise = -math.inf
    held[0] = 0.0
    b[0] = 1.0
    for i in range(1, head.size):
        held[i] = d[i] + c[i] * held[parent[i]]
        b[i] = c[i] * b[parent[i]]
        if outlet[i] > 0:
            lowest = min(lowest, head[i])
            rise = max(rise, (target - head[i] - held[i]) / b[i])
    return target - lowest, rise


@numba.njit(cache=True)
def solve(parent, z, length, minor, size, rows, outlet, law, demand, mode, target, head, flow, most, tol):
    """Fill `head` (its values are the start) and `flow`; return (iterations, residual).

    `outlet[i]` counts the emitters at node i, all of one law; `demand[i]` is a fixed take-off.
    `minor[i]` counts velocity heads lost in link i. In mode FIXED_HEAD the root keeps `target`; in
    TOTAL_FLOW its head is found for which all outflow is `target`; in LEAST_HEAD for which the lowest
    emitter has `target`. The residual is the greatest error of the energy equation of any link. [m]
    A step that does not lessen the sum of squared errors, the root's among them, is halved.
    """
    n = parent.size
    a = np.empty(n)
    b = np.empty(n)
    c = np.empty(n)
    d = np.empty(n)
    step = np.zeros(n)
    held = np.empty(n if mode == LEAST_HEAD else 0)
    share = 0.0
    squares_before = math.inf
    residual = math.inf
    for iteration in range(most):
        residual, squares = _assemble(
            parent, z, length, minor, size, rows, outlet, law, demand, head, flow, a, b, c, d
        )
        root_error, root_step = _root(mode, target, parent, outlet, head, flow, a, b, c, d, held)
        squares += root_error * root_error
        if squares > squares_before and residual > tol and share > 1e-4:
            share *= 0.5
            for i in range(n):
                head[i] -= share * step[i]
            continue
        if residual <= tol and abs(root_step) <= tol:
            return iteration, residual
        squares_before = squares
        share = 1.0
        step[0] = root_step
        head[0] += root_step
        for i in range(1, n):
            step[i] = d[i] + c[i] * step[parent[i]]
            head[i] += step[i]
    return most, residual
