"""Kernel of `tree`: Newton on all heads of a rooted tree, the linear system solved in two sweeps. SI units.

Runs are eliminated first: a march tells what a run takes and how that changes with the head at its parent.
What is left, the trunk, is a tree of its own: node 0 is its root and `parent[i] < i`; link i joins node i
to its parent. With no runs the trunk is the whole tree.
"""

import math
from typing import NamedTuple

import numba
import numpy as np
from numpy.typing import NDArray

from farmgis.hydraulics.emitters_kernel import emitter_flow
from farmgis.hydraulics.friction_kernel import loss_per_metre
from farmgis.hydraulics.runs_kernel import (
    FLOW,
    GAIN,
    HEAD,
    LOWEST,
    LOWEST_RISE,
    RESULTS,
    RISE,
    sweep,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FIXED_HEAD, TOTAL_FLOW, LEAST_HEAD = 0, 1, 2
LEAST_SHARE = 1e-4  # of a Newton step
BLIND_STEP_M = 10.0
COARSE_TOLERANCE_M = 1e-3
COARSE_ITERATIONS = 30
LINK_SLOPE = 1e-9  # m per m3/s: keeps a lossless link solvable


class Trunk(NamedTuple):
    """Arrays of the trunk's nodes; `setting` of a regulator is inf where there is none, `curve` is -1."""

    parent: Ints
    z: Floats
    length: Floats
    minor: Floats
    size: Ints
    outlets: Floats
    demand: Floats
    setting: Floats
    curve: Ints


@numba.njit(cache=True, nogil=True, inline="always")
def _curve_loss(flow, curve):
    """Loss of a device and its derivative, straight between points (flow, loss) and beyond the last two."""
    n = curve.shape[0]
    k = 1
    while k < n - 1 and flow > curve[k, 0]:
        k += 1
    slope = (curve[k, 1] - curve[k - 1, 1]) / (curve[k, 0] - curve[k - 1, 0])
    return curve[k - 1, 1] + slope * (flow - curve[k - 1, 0]), slope


@numba.njit(cache=True, nogil=True)
def _link_loss(i, flow, trunk, rows, curves, bounds):
    """Return (head lost in link i, its derivative by flow); water running backwards gains it."""
    sign = 1.0 if flow >= 0.0 else -1.0
    q = abs(flow)
    row = rows[trunk.size[i]]
    loss, gradient = loss_per_metre(q, row)
    local = trunk.minor[i] * row[8] * q
    loss = loss * trunk.length[i] + local * q
    gradient = gradient * trunk.length[i] + 2.0 * local
    if trunk.curve[i] >= 0:
        more, slope = _curve_loss(q, curves[bounds[trunk.curve[i]] : bounds[trunk.curve[i] + 1]])
        loss += more
        gradient += slope
    return sign * loss, gradient


@numba.njit(cache=True, nogil=True)
def _assemble(trunk, rows, law, curves, bounds, at, march, head, flow, a, b, c, d):
    """Sweep from the leaves to the root: flows, energy errors and the eliminated Newton system.

    Fills `flow`, and `a, b, c, d` such that d_head[i] = c[i] * d_head[parent] + d[i] and the change of
    the flow into node i is a[i] + b[i] * d_head[i]. A run's flow is what its march says at the head that
    it asked for, and changes along a line with the head that there is. Returns the greatest error and
    the sum of squares.
    """
    parent, z, outlets = trunk.parent, trunk.z, trunk.outlets
    n = parent.size
    for i in range(n):
        q, slope = 0.0, 0.0
        if outlets[i] > 0.0:
            q, slope = emitter_flow(head[i], law)
        flow[i] = outlets[i] * q + trunk.demand[i]
        a[i] = 0.0
        b[i] = outlets[i] * slope
    for r in range(at.size):
        i = at[r]
        slope = march[r, GAIN] / march[r, RISE]
        flow[i] += march[r, FLOW] + slope * (head[i] - march[r, HEAD])
        b[i] += slope
    greatest = 0.0
    squares = 0.0
    for i in range(n - 1, 0, -1):
        p = parent[i]
        q = flow[i]
        loss, gradient = _link_loss(i, q, trunk, rows, curves, bounds)
        error = head[p] + z[p] - head[i] - z[i] - loss
        if (
            trunk.setting[i] - head[i] < error
        ):  # a regulator at work: what is below it does not feel the parent
            error = trunk.setting[i] - head[i]
            c[i] = 0.0
            d[i] = error
        else:
            c[i] = 1.0 / (1.0 + (gradient + LINK_SLOPE) * b[i])
            d[i] = c[i] * (error - gradient * a[i])
        greatest = max(greatest, abs(error))
        squares += error * error
        flow[p] += q
        a[p] += a[i] + b[i] * d[i]
        b[p] += b[i] * c[i]
    return greatest, squares


@numba.njit(cache=True, nogil=True)
def _root(mode, target, trunk, at, march, head, flow, a, b, c, d):
    """Return (how far the root's head is from what is aimed at, Newton's step of it)."""
    if mode == FIXED_HEAD:
        return target - head[0], target - head[0]
    if mode == TOTAL_FLOW:
        if b[0] <= 0.0:  # no emitter answers to the head: all are dry, or hold their flow
            short = target - flow[0]
            blind = 0.0 if abs(short) <= 1e-12 * abs(target) else math.copysign(BLIND_STEP_M, short)
            return blind, blind
        return (target - flow[0]) / b[0], (target - flow[0] - a[0]) / b[0]
    # every emitter's head is to be at least the target after the step: held[i] is what the step does
    # with the root held, share[i] what each metre at the root adds
    parent, outlets = trunk.parent, trunk.outlets
    n = head.size
    held = np.zeros(n)
    share = np.ones(n)
    lowest = math.inf
    rise = -math.inf
    for i in range(n):
        if i > 0:
            held[i] = d[i] + c[i] * held[parent[i]]
            share[i] = c[i] * share[parent[i]]
        if outlets[i] > 0.0 and share[i] > 0.0:
            lowest = min(lowest, head[i])
            rise = max(rise, (target - head[i] - held[i]) / share[i])
    for r in range(at.size):
        i = at[r]
        if share[i] > 0.0:
            follows = march[r, LOWEST_RISE] / march[r, RISE]
            low = march[r, LOWEST] + follows * (head[i] - march[r, HEAD])
            lowest = min(lowest, low)
            rise = max(rise, (target - low - follows * held[i]) / (follows * share[i]))
    if not math.isfinite(rise):
        return 0.0, 0.0
    return target - lowest, rise


@numba.njit(cache=True, nogil=True)
def _newton(trunk, rows, law, curves, bounds, at, march, mode, target, head, work, most, tol):
    """Solve the trunk's heads, its runs held to their lines.

    A step that does not lessen the sum of squared errors, the root's among them, is halved.
    """
    flow, a, b, c, d, step = work[0], work[1], work[2], work[3], work[4], work[5]
    share = 0.0
    squares_before = math.inf
    for _ in range(most):
        residual, squares = _assemble(trunk, rows, law, curves, bounds, at, march, head, flow, a, b, c, d)
        root_error, root_step = _root(mode, target, trunk, at, march, head, flow, a, b, c, d)
        squares += root_error * root_error
        if squares > squares_before and residual > tol and share > LEAST_SHARE:
            share *= 0.5
            for i in range(head.size):
                head[i] -= share * step[i]
            continue
        if residual <= tol and abs(root_step) <= tol:
            break
        squares_before = squares
        share = 1.0
        step[0] = root_step
        head[0] += root_step
        for i in range(1, head.size):
            step[i] = d[i] + c[i] * step[trunk.parent[i]]
            head[i] += step[i]


@numba.njit(cache=True, nogil=True)
def _errors(trunk, rows, law, curves, bounds, at, march, mode, target, head, work):
    """Return (greatest error of any link, of the root or of a run; sum of their squares)."""
    flow, a, b, c, d = work[0], work[1], work[2], work[3], work[4]
    worst, squares = _assemble(trunk, rows, law, curves, bounds, at, march, head, flow, a, b, c, d)
    root_error, root_step = _root(mode, target, trunk, at, march, head, flow, a, b, c, d)
    worst = max(worst, abs(root_step))
    squares += root_error * root_error
    for r in range(at.size):
        error = head[at[r]] - march[r, HEAD]
        worst = max(worst, abs(error))
        squares += error * error
    return worst, squares


SHARE, SQUARES, RESIDUAL, ITERATIONS, STATE = 0, 1, 2, 3, 4
"""What is carried from one correction to the next: share of the last step, its sum of squares, ..."""


@numba.njit(cache=True, nogil=True)
def correct(
    end, heads, trunk, at, march, rows, law, curves, bounds, mode, target, head, room, state, most, tol
):
    """After a march, solve the trunk and correct the heads at the runs' ends; return whether it was in vain.

    That is where runs and trunk agree within `tol`, or where they have no number. A step that made it worse
    is halved instead. `room` is scratch that lives from one correction to the next.
    """
    work, before, step, end_before, end_step = room
    n, runs = head.size, at.size
    residual, squares = _errors(trunk, rows, law, curves, bounds, at, march, mode, target, head, work)
    state[RESIDUAL] = residual
    if residual <= tol or not math.isfinite(residual):
        return True
    state[ITERATIONS] += 1
    if squares > state[SQUARES] and state[SHARE] > LEAST_SHARE:
        state[SHARE] *= 0.5
        for i in range(n):
            head[i] = before[i] + state[SHARE] * step[i]
        for r in range(runs):
            heads[end[r] - 1] = end_before[r] + state[SHARE] * end_step[r]
        return False
    state[SQUARES] = squares
    state[SHARE] = 1.0
    for i in range(n):
        before[i] = head[i]
    _newton(trunk, rows, law, curves, bounds, at, march, mode, target, head, work, most, 0.1 * tol)
    for i in range(n):
        step[i] = head[i] - before[i]
    for r in range(runs):
        last = end[r] - 1
        end_before[r] = heads[last]
        end_step[r] = (head[at[r]] - march[r, HEAD]) / march[r, RISE]
        heads[last] += end_step[r]
    return False


@numba.njit(cache=True, nogil=True)
def scratch(nodes, runs):
    """Return the room that `correct` works in."""
    return np.empty((6, nodes)), np.empty(nodes), np.empty(nodes), np.empty(runs), np.empty(runs)


@numba.njit(cache=True, nogil=True)
def solve(nodes, first, end, heads, trunk, at, rows, law, curves, bounds, mode, target, head, most, tol):
    """Fill `heads` of all nodes in runs and `head` of the trunk; return (iterations, residual).

    `heads[end - 1]` and `head` hold the start. In mode FIXED_HEAD the root keeps `target`; in TOTAL_FLOW
    its head is found for which all outflow is `target`; in LEAST_HEAD for which the lowest emitter has
    `target`. The residual is the greatest error of the energy equation of any link. [m]

    First over coarse runs, then over whole ones: march all runs, solve the trunk, correct the heads at the
    runs' ends by what the march says, until runs and trunk agree.
    """
    march = np.empty((at.size, RESULTS))
    room = scratch(head.size, at.size)
    state = np.zeros(STATE)
    for coarse in (True, False):
        if coarse and at.size == 0:
            continue
        state[SHARE], state[SQUARES] = 0.0, math.inf
        for _ in range(COARSE_ITERATIONS if coarse else most):
            sweep(coarse, first, end, nodes, rows, law, heads, march)
            if correct(
                end, heads, trunk, at, march, rows, law, curves, bounds, mode, target, head, room, state,
                most, COARSE_TOLERANCE_M if coarse else tol,
            ):  # fmt: skip
                break
    return state[ITERATIONS], state[RESIDUAL]


@numba.njit(cache=True, nogil=True)
def flows(parent, outlets, demand, law, head, flow):
    """Fill the flow into each node: what all emitters and demands from there on take."""
    for i in range(parent.size):
        q = 0.0
        if outlets[i] > 0.0:
            q, _ = emitter_flow(head[i], law)
        flow[i] = outlets[i] * q + demand[i]
    for i in range(parent.size - 1, 0, -1):
        flow[parent[i]] += flow[i]


FINE, BAD_PARENT, BAD_ROOT, BAD_VALUE = 0, 1, 2, 3


@numba.njit(cache=True, nogil=True)
def first_fault(parent, z, length, minor, size, sizes, outlets, demand, bound):
    """Return (node, what is wrong with it, column) of the first node that cannot be, or (-1, FINE, -1).

    `bound` holds the greatest magnitude of ground, length, minor, outlets and demand.
    """
    if parent[0] != -1:
        return 0, BAD_ROOT, -1
    for i in range(parent.size):
        if i > 0 and not 0 <= parent[i] < i:
            return i, BAD_PARENT, -1
        if not abs(z[i]) <= bound[0]:
            return i, BAD_VALUE, 0
        if i > 0 and not 0.0 <= length[i] <= bound[1]:
            return i, BAD_VALUE, 1
        if not 0.0 <= minor[i] <= bound[2]:
            return i, BAD_VALUE, 2
        if not 0.0 <= outlets[i] <= bound[3]:
            return i, BAD_VALUE, 3
        if not abs(demand[i]) <= bound[4]:
            return i, BAD_VALUE, 4
        if i > 0 and not 0 <= size[i] < sizes:
            return i, BAD_VALUE, 5
    return -1, FINE, -1


@numba.njit(cache=True, nogil=True)
def mark_below(parent, below):
    """Mark every node that hangs on a marked one."""
    for i in range(1, parent.size):
        below[i] = below[i] or below[parent[i]]
