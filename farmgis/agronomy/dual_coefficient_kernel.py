"""One day of a field's water with the dual coefficient, and the loop over days and places."""

from __future__ import annotations

from typing import Any

from numba import njit, prange


@njit(cache=True, fastmath=False)  # type: ignore[misc, unused-ignore]
def exposed(cover: float, wetted: float, drip: bool) -> float:
    """Share of the ground both wetted and in the sun."""
    wet = (1.0 - 0.67 * cover) * wetted if drip else wetted
    return min(max(min(1.0 - cover, wet), 0.01), 1.0)


@njit(cache=True, fastmath=False)  # type: ignore[misc, unused-ignore]
def reduction(layer: float, tew: float, rew: float) -> float:
    """How far evaporation has fallen below its free rate (FAO-56 eq 74)."""
    if layer <= rew:
        return 1.0
    return min(max((tew - layer) / max(tew - rew, 1e-9), 0.0), 1.0)


@njit(cache=True, fastmath=False)  # type: ignore[misc, unused-ignore]
def stressed(depletion: float, total: float, fraction: float) -> float:
    """Share of its full transpiration that the crop keeps (FAO-56 eq 84)."""
    return min(max((total - depletion) / max(total * (1.0 - fraction), 1e-9), 0.0), 1.0)


@njit(cache=True, fastmath=False)  # type: ignore[misc, unused-ignore]
def fraction_of(tabled: float, et: float) -> float:
    """Share of the held water that is taken without stress, by the day's ET (FAO-56 table 22)."""
    return min(max(tabled + 0.04 * (5.0 - et), 0.1), 0.8)


@njit(cache=True, fastmath=False)  # type: ignore[misc, unused-ignore]
def one_day(
    et0: float, rain: float, irrigation: float, kcb: float, kc_top: float, cover: float, total: float,
    p: float, tew: float, rew: float, wetted: float, few: float, mulch: float, early: bool, adjust: bool,
    depletion: float, layer: float,
) -> tuple[float, float, float, float, float, float, float]:  # fmt: skip
    """Return (evaporation, transpiration, ke, ks, percolation, depletion, layer depletion) of a day."""
    water, drained = rain + irrigation, 0.0
    on_layer = rain + irrigation / wetted
    if early:
        layer = max(layer - on_layer, 0.0)
        drained = max(water - depletion, 0.0)
        depletion = max(depletion - water, 0.0)
    ke = mulch * min(reduction(layer, tew, rew) * (kc_top - kcb), few * kc_top)
    # no more than the layer still holds: the last of it leaves on one day
    evaporation = min(ke * et0, max(tew - layer, 0.0) * few) if early else ke * et0
    fraction = fraction_of(p, kcb * et0 + evaporation) if adjust else p
    ks = stressed(depletion, total, fraction)
    transpiration = ks * kcb * et0
    if early:
        taken = min(evaporation + transpiration, max(total - depletion, 0.0) + evaporation)
        depletion += taken
        transpiration = taken - evaporation
        layer = min(layer + evaporation / few, tew)
    else:
        drained = max(water - evaporation - transpiration - depletion, 0.0)
        depletion = max(depletion - water + evaporation + transpiration + drained, 0.0)
        through = max(on_layer - layer, 0.0)
        layer = min(max(layer - on_layer + evaporation / few + through, 0.0), tew)
    return evaporation, transpiration, ke, ks, drained, depletion, layer


@njit(cache=True, fastmath=False, parallel=True)  # type: ignore[misc, unused-ignore]
def run_places(
    et0: Any, rain: Any, irrigation: Any, kcb: Any, kc_top: Any, cover: Any, total: Any, p: Any,
    tew: float, rew: float, fw: float, drip: bool, mulch: float, layer_start: float, depletion_start: float,
    early: bool, adjust: bool, out: Any,
) -> None:  # fmt: skip
    """Fill out[7, days, places]; irrigation wets `fw` of the ground, rain of 3 mm alone wets all."""
    days, places = et0.shape
    for j in prange(places):
        depletion, layer, wetted = depletion_start, layer_start, fw
        for i in range(days):
            if irrigation[i, j] > 0.0:
                wetted = fw
            elif rain[i, j] >= 3.0:
                wetted = 1.0
            few = exposed(cover[i, j], wetted, drip and wetted < 1.0)
            day = one_day(
                et0[i, j], rain[i, j], irrigation[i, j], kcb[i, j], kc_top[i, j], cover[i, j], total[i, j],
                p[i, j], tew, rew, wetted, few, mulch, early, adjust, depletion, layer,
            )  # fmt: skip
            depletion, layer = day[5], day[6]
            for k in range(7):
                out[k, i, j] = day[k]
