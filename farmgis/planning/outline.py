"""Outlines of land, with no more vertices than planning needs."""

from __future__ import annotations

from typing import Any

import shapely

MANY_VERTICES, THIN_M = 5000, 0.05
"""A boundary of more vertices than this is planned with those that it needs to be true to 5 cm, or where
these are too many still, to 10 cm and so on."""


def thinned(area: Any, many: int = MANY_VERTICES) -> Any:
    """Land without the vertices of its boundary that matter to no row, where it has more than `many`.

    >>> thinned(shapely.box(0.0, 0.0, 1.0, 1.0)).geom_type
    'Polygon'
    """
    thin, thin_m = area, THIN_M
    while shapely.get_num_coordinates(thin) > many and thin_m < 1.0:
        thin = shapely.multipolygons(list(shapely.get_parts(shapely.simplify(area, thin_m))))
        thin_m *= 2.0
    return thin
