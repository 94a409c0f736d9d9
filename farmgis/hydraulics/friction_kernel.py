"""Kernel of `friction`: loss per metre and its derivative, from a row of constants a pipe size.

A row holds: 0 Reynolds number per unit flow, 1 laminar loss per unit flow, 2 loss per f Q^2,
3 relative roughness / 3.7, 4 to 7 the transition's polynomial, 8 velocity head per Q^2. A row of
Hazen-Williams has -1 in column 0 and its loss per Q^1.852 in column 1.

A tabulated row goes on with its table of turbulent loss: 9 knots a unit of Reynolds number, then at each knot
from 4000 on the loss and its derivative by knot.
"""

import math

import numba
import numpy as np

LAMINAR = 2000.0
TURBULENT = 4000.0
COLUMNS = 9
LN10 = math.log(10.0)
QUARTER_LN10_SQUARED = 0.25 * LN10 * LN10
HAZEN_WILLIAMS_EXPONENT = 1.852


@numba.njit(cache=True)
def pipe_constants(diameter, roughness, viscosity, gravity):
    """Return the row of constants of one pipe size. SI units."""
    row = np.empty(COLUMNS)
    row[0] = 4.0 / (math.pi * diameter * viscosity)
    row[1] = 128.0 * viscosity / (math.pi * gravity * diameter**4)
    row[2] = 8.0 / (math.pi**2 * gravity * diameter**5)
    row[3] = roughness / (3.7 * diameter)
    # The cubic of Dunlop (1991) joins 64/Re at 2000 to Swamee-Jain at 4000, value and slope.
    edge = 5.74 / TURBULENT**0.9
    y2 = row[3] + edge
    y3 = -2.0 / LN10 * math.log(y2)
    fa = 1.0 / (y3 * y3)
    fb = fa * (2.0 - 3.6 / LN10 * edge / (y2 * y3))
    row[4] = 7.0 * fa - fb
    row[5] = 0.128 - 17.0 * fa + 2.5 * fb
    row[6] = -0.128 + 13.0 * fa - 2.0 * fb
    row[7] = 0.032 - 3.0 * fa + 0.5 * fb
    row[8] = 8.0 / (math.pi**2 * gravity * diameter**4)
    return row


@numba.njit(cache=True, inline="always")
def loss_per_metre(flow, row):
    """Return (head loss per metre, its derivative by flow) for flow >= 0. SI units."""
    reynolds = flow * row[0]
    if reynolds <= LAMINAR:
        if row[0] < 0.0 and flow > 0.0:
            loss = row[1] * math.exp(HAZEN_WILLIAMS_EXPONENT * math.log(flow))
            return loss, HAZEN_WILLIAMS_EXPONENT * loss / flow
        return row[1] * flow, row[1]
    if reynolds < TURBULENT:
        r = reynolds / LAMINAR
        f = row[4] + r * (row[5] + r * (row[6] + r * row[7]))
        slope = (row[5] + r * (2.0 * row[6] + r * 3.0 * row[7])) * row[0] / LAMINAR
    else:
        rough_term = 5.74 * math.exp(-0.9 * math.log(reynolds))  # half the time of a power
        y = row[3] + rough_term
        ln_y = math.log(y)
        f = QUARTER_LN10_SQUARED / (ln_y * ln_y)
        slope = 1.8 * f * rough_term / (ln_y * y * flow)
    scale = row[2] * flow
    return scale * flow * f, scale * (2.0 * f + flow * slope)


@numba.njit(cache=True)
def losses(flow, rows, out):
    """Fill out[i, s] with the loss per metre of size s at flow[i] >= 0. SI units."""
    for i in range(flow.size):
        for s in range(rows.shape[0]):
            out[i, s], _ = loss_per_metre(flow[i], rows[s])


@numba.njit(cache=True)
def loss_table(row, knots, greatest_reynolds):
    """Return `row` with a table of its turbulent loss at `knots` Reynolds numbers up to the greatest."""
    out = np.empty(COLUMNS + 1 + 2 * knots)
    out[:COLUMNS] = row
    step = (greatest_reynolds - TURBULENT) / (knots - 1)
    out[COLUMNS] = 1.0 / step
    for k in range(knots):
        loss, gradient = loss_per_metre((TURBULENT + k * step) / row[0], row)
        out[COLUMNS + 1 + 2 * k] = loss
        out[COLUMNS + 2 + 2 * k] = gradient * step / row[0]
    return out


@numba.njit(cache=True, inline="always")
def tabulated_loss(flow, row, table):
    """`loss_per_metre`, its turbulent part by cubics between the knots of a row's table, if it has one."""
    if table.size > 0 and table[0] > 0.0:
        t = (flow * row[0] - TURBULENT) * table[0]
        if t >= 0.0:
            k = int(t)
            if 2 * k + 4 < table.size:
                u = t - k
                v0, d0 = table[1 + 2 * k], table[2 + 2 * k]
                v1, d1 = table[3 + 2 * k], table[4 + 2 * k]
                rise = v1 - v0
                c2 = 3.0 * rise - 2.0 * d0 - d1
                c3 = d0 + d1 - 2.0 * rise
                loss = v0 + u * (d0 + u * (c2 + u * c3))
                return loss, (d0 + u * (2.0 * c2 + 3.0 * u * c3)) * table[0] * row[0]
    return loss_per_metre(flow, row)
