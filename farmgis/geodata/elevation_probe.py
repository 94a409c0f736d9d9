"""A look at the elevation model where the fields lie: mean height, hidden voids, too coarse a grain."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from farmgis.errors import FieldError
from farmgis.geodata.elevation import Elevation, plausible
from farmgis.geodata.elevation_file import told
from farmgis.records import Finding, Surface

COARSE_M = 10.0
ERROR_SHARE = 0.25  # of the allowance: a stated error over this is told whatever the cell
PROBES = 200
FAR_FROM_ZERO_M = 30.0


@dataclass(frozen=True)
class Probe:
    """Mean height at the fields (NaN where the model has none), and what was found."""

    altitude_m: float
    findings: tuple[Finding, ...]


def probe(elevation: Elevation, areas: list[Any], allowance_m: float | None = None) -> Probe:
    """What the model is like at the fields. [m]

    `areas` are the fields' shapes, of which at most 200 are looked at; `allowance_m` is what the tolerance
    lets the pressure vary by.
    """
    heights: list[float] = []
    odd: set[float] = set()
    zeros = 0
    for area in areas[:: max(1, math.ceil(len(areas) / PROBES))]:
        try:
            surface = elevation.window(area.bounds)
        except FieldError:
            continue  # the survey of that field tells it
        heights.append(float(np.nanmean(surface.z_m)))
        values, at_zero = _hidden_voids(elevation, surface)
        odd |= values
        zeros += at_zero
    findings = _void_findings(elevation.path.name, odd, zeros)
    error_m = elevation.vertical_error_m
    uncertain = error_m is not None and allowance_m is not None and error_m > ERROR_SHARE * allowance_m
    if elevation.native_cell_m > COARSE_M or uncertain:
        findings += (grain_finding(elevation.native_cell_m, error_m, allowance_m),)
    return Probe(float(np.mean(heights)) if heights else math.nan, findings)


def grain_finding(cell_m: float, error_m: float | None, allowance_m: float | None) -> Finding:
    """What a coarse model's error, or a stated one, means for the pressure."""
    error = (
        "errors of 1 to 10 m are usual for such" if error_m is None else f"its stated error is {error_m:g} m"
    )
    against = "" if allowance_m is None else f", and the tolerance lets the head vary by {allowance_m:.1f} m"
    what = (
        f"The elevation model has cells of {cell_m:.3g} m: {error}{against}. "
        "A surface model contains trees and roofs besides."
    )
    advice = (
        "Take heads, blocks and directions as a first estimate; survey the fields, or give a finer terrain "
        "model, before pipe is bought."
    )
    if error_m is not None and allowance_m is not None:
        return told("attention", what, advice, error_m, allowance_m, "m")
    return told("attention", what, advice, cell_m, COARSE_M, "m")


def _hidden_voids(elevation: Elevation, surface: Surface) -> tuple[set[float], int]:
    """Values that are no height though the model calls them one; and zeros far below the land around."""
    stored, height_m, given = elevation.stored(surface)
    fine = plausible(height_m)
    land = given & fine & (stored != 0)
    zeros = given & (stored == 0)
    far = bool(land.any()) and float(np.abs(height_m[land]).min()) > FAR_FROM_ZERO_M
    return {float(v) for v in np.unique(stored[given & ~fine])[:20]}, int(zeros.sum()) if far else 0


def _void_findings(name: str, odd: set[float], zeros: int) -> tuple[Finding, ...]:
    findings: tuple[Finding, ...] = ()
    if odd:
        shown = ", ".join(f"{v:g}" for v in sorted(odd)[:5])
        what = (
            f"The elevation model {name} holds values that are no height ({shown}) and does not declare them "
            "as nodata: they are taken as void."
        )
        advice = "Declare its nodata value, so that every program knows where it has no height."
        findings += (told("attention", what, advice),)
    if zeros:
        what = (
            f"The elevation model {name} holds {zeros} cells of exactly 0 at the fields, far below the land "
            "around them: they look like voids, but are taken as heights."
        )
        advice = "If they are voids, declare 0 as the model's nodata value and plan again."
        findings += (told("attention", what, advice, float(zeros), 0.0, "cells"),)
    return findings
