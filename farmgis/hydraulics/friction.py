"""Friction in pipes: Darcy-Weisbach with one law from laminar to turbulent flow."""

from __future__ import annotations

import numpy as np

from farmgis.hydraulics import friction_kernel as kernel
from farmgis.hydraulics.water import Water, water_at
from farmgis.records import Dripline, Floats, Pipe

DEFAULT_WATER = water_at(20.0)

LEAST_INSIDE_MM = 2.0
GREATEST_INSIDE_MM = 5000.0
"""Inside diameters that a pipe has: outside them a unit is mistaken."""


def friction_factor(reynolds: float, relative_roughness: float = 0.0) -> float:
    """Darcy friction factor f. [-]

    64/Re up to Re 2000; the cubic of Dunlop (1991) to 4000; Swamee and Jain (1976) above. Value and
    slope are continuous at both ends of the transition.

    >>> round(friction_factor(128.0), 3)
    0.5
    """
    if reynolds <= 0.0 or relative_roughness < 0.0:
        raise ValueError(f"Re {reynolds}, roughness {relative_roughness}: give Re > 0 and roughness >= 0")
    row = kernel.pipe_constants(1.0, relative_roughness, 1.0, 1.0)
    flow = reynolds / row[0]
    loss, _ = kernel.loss_per_metre(flow, row)
    return float(loss / (row[2] * flow * flow))


def head_loss_m(
    flow_m3h: float, inside_mm: float, length_m: float, roughness_mm: float, water: Water = DEFAULT_WATER
) -> float:
    """Friction loss of a pipe that carries a constant flow. [m]

    >>> round(head_loss_m(100.0, 147.0, 100.0, 0.0015), 2)
    1.4
    """
    row = kernel.pipe_constants(
        inside_mm / 1000.0, roughness_mm / 1000.0, water.viscosity_m2_s, water.gravity_m_s2
    )
    loss, _ = kernel.loss_per_metre(abs(flow_m3h) / 3600.0, row)
    return float(np.sign(flow_m3h) * loss * length_m)


def loss_gradients(flow_m3h: Floats, pipes: tuple[Pipe, ...], water: Water = DEFAULT_WATER) -> Floats:
    """Friction loss of a metre of each size at each flow >= 0, shape (*flows, pipes). [m/m]"""
    flow = np.ascontiguousarray(flow_m3h, dtype=float).ravel() / 3600.0
    out = np.empty((flow.size, len(pipes)))
    kernel.losses(flow, pipe_rows(pipes, water), out)
    return out.reshape(*np.shape(flow_m3h), len(pipes))


def velocity_m_s(flow_m3h: float | Floats, inside_mm: float | Floats) -> float | Floats:
    """Mean velocity in a pipe. [m/s]"""
    return flow_m3h / 3600.0 / (np.pi / 4.0 * (inside_mm / 1000.0) ** 2)


def _row(name: str, inside_mm: float, roughness_mm: float, water: Water) -> Floats:
    """Constants of one size. Raises ValueError for a diameter or roughness that no pipe has."""
    if not LEAST_INSIDE_MM <= inside_mm <= GREATEST_INSIDE_MM:
        raise ValueError(
            f"pipe {name}: its inside diameter is {inside_mm:g} mm; "
            f"one of {LEAST_INSIDE_MM:g} to {GREATEST_INSIDE_MM:g} mm is a pipe: is the unit right?"
        )
    if not 0.0 <= roughness_mm <= inside_mm / 20.0:
        raise ValueError(f"pipe {name}: its roughness is {roughness_mm:g} mm, its inside {inside_mm:g} mm")
    row: Floats = kernel.pipe_constants(
        inside_mm / 1000.0, roughness_mm / 1000.0, water.viscosity_m2_s, water.gravity_m_s2
    )
    return row


def dripline_row(dripline: Dripline, water: Water) -> Floats:
    """The kernels' constants of a dripline, shape (9,)."""
    return _row(dripline.name, dripline.inside_diameter_mm, dripline.roughness_mm, water)


def pipe_rows(pipes: tuple[Pipe, ...], water: Water) -> Floats:
    """The kernels' constants of some pipes, shape (pipes, 9)."""
    rows = [_row(f"{p.material} {p.nominal_mm:g}", p.inside_mm, p.roughness_mm, water) for p in pipes]
    return np.array(rows).reshape(-1, kernel.COLUMNS)


def hazen_williams_row(inside_mm: float, coefficient: float, water: Water = DEFAULT_WATER) -> Floats:
    """The kernels' constants of a main by Hazen-Williams, shape (9,).

    Loss is 10.667 Q^1.852 / (C^1.852 D^4.871) a metre, Q in m3/s and D in m (the form of EPANET). It holds
    for water near 15 degrees C in turbulent flow, in pipes of some 50 mm and more: not for driplines, where
    it tells too little.
    """
    row = _row("of Hazen-Williams", inside_mm, 0.0, water)
    row[0] = -1.0
    power = kernel.HAZEN_WILLIAMS_EXPONENT
    row[1] = 10.667 / (coefficient**power * (inside_mm / 1000.0) ** 4.871)
    return row


KNOTS = 400
TABULATED_REYNOLDS = 1e5
"""Turbulent loss is tabulated up to here; over it, it is computed."""


def tabulated(rows: Floats) -> Floats:
    """Rows with a table of their turbulent loss, shape (pipes, 9 + 801): faster, and true to 1e-7.

    To be taken as the `sizes` of a tree in place of what `pipe_rows` gives. Laminar and transitional loss are
    computed as ever; a row of Hazen-Williams stays as it is.
    """
    wide = np.zeros((len(rows), kernel.COLUMNS + 1 + 2 * KNOTS))
    for row, out in zip(rows, wide, strict=True):
        if row[0] > 0.0:
            out[:] = kernel.loss_table(row, KNOTS, TABULATED_REYNOLDS)
        else:
            out[: kernel.COLUMNS] = row
    return wide
