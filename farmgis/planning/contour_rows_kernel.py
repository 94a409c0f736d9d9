"""Kernel of `contour_rows`: a contour followed with a bounded curvature."""

import math

import numba

from farmgis.terrain.surface_kernel import height


@numba.njit(cache=True)
def follow(z, x0, y0, cell, inside, x, y, heading, fall, level, step, radius, most_turn, flat, out):
    """Fill `out` with vertices of a line that keeps to a contour of z from a point on; return how many.

    `heading` is clockwise from north. Where the line has left its level it steers back;
    `fall` is how much lower each metre along shall be. It ends outside of the cells `inside`, where it
    has turned by `most_turn`, or when `out` is full.
    """
    rows, columns = z.shape
    used, turned = 0, 0.0
    sharpest = step / radius
    while used < out.shape[0]:
        out[used, 0], out[used, 1] = x, y
        used += 1
        i, j = round((y - y0) / cell), round((x - x0) / cell)
        if not (0 <= i < rows and 0 <= j < columns) or not inside[i, j]:
            break
        here = height(z, x0, y0, cell, x, y)
        gx = (height(z, x0, y0, cell, x + cell, y) - height(z, x0, y0, cell, x - cell, y)) / (2.0 * cell)
        gy = (height(z, x0, y0, cell, x, y + cell) - height(z, x0, y0, cell, x, y - cell)) / (2.0 * cell)
        slope = math.hypot(gx, gy)
        turn = 0.0
        if slope > flat and not math.isnan(slope):
            # of the contour's two ways the one nearer to ours; on the first the ground falls to the right
            wanted, side = math.atan2(gy, -gx), 1.0
            if math.cos(wanted - heading) < 0.0:
                wanted, side = wanted + math.pi, -1.0
            down = math.asin(max(-0.5, min(0.5, fall / slope)))
            wanted += side * (math.atan((here - level) / slope / radius) + down)
            turn = (wanted - heading + math.pi) % (2.0 * math.pi) - math.pi
        turn = max(-sharpest, min(sharpest, turn))
        turned += turn
        if abs(turned) > most_turn:
            break
        heading += turn
        x += step * math.sin(heading)
        y += step * math.cos(heading)
        level -= fall * step
    return used
