"""Whether each source carries its own fields: its peak and its licence, never netted against another's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from farmgis.records import Finding, Source

Verdict = Literal["sufficient", "short at peak", "short in season", "not judged"]


@dataclass(frozen=True)
class FieldLoad:
    """What one field asks of its source."""

    field_id: str
    area_ha: float
    peak_m3_day: float
    season_m3: float
    basis: Literal["daily", "normals", "assumed"]


@dataclass(frozen=True)
class SourceBalance:
    """One source against what its fields ask of it: a row of `supply_balance`."""

    source_id: str
    fields: int
    irrigated_ha: float
    peak_m3_day: float
    available_m3_day: float
    peak_share_pct: float | None
    season_m3: float
    licence_m3: float | None
    verdict: Verdict


def source_balance(
    sources: Sequence[Source], loads: Mapping[str, Sequence[FieldLoad]]
) -> tuple[tuple[SourceBalance, ...], tuple[Finding, ...]]:
    """Each source's balance, in the order of the sources, and a finding for each shortage.

    `loads` holds each source's fields by its id. A source is not judged when the demand of one of its
    fields is assumed and not computed for the place.
    """
    balances = tuple(_balance(source, loads.get(source.source_id, ())) for source in sources)
    findings: list[Finding] = []
    for source, balance in zip(sources, balances, strict=True):
        if balance.verdict == "not judged":
            findings.append(_not_judged(balance))
            continue
        if balance.peak_m3_day > balance.available_m3_day:
            findings.append(_short_at_peak(source, balance, balances))
        if balance.licence_m3 is not None and balance.season_m3 > balance.licence_m3:
            findings.append(_short_in_season(balance, balance.licence_m3))
    return balances, tuple(findings)


def _balance(source: Source, loads: Sequence[FieldLoad]) -> SourceBalance:
    peak, season = sum(load.peak_m3_day for load in loads), sum(load.season_m3 for load in loads)
    available = source.flow_m3h * source.hours_per_day
    verdict: Verdict = "sufficient"
    if any(load.basis == "assumed" for load in loads):
        verdict = "not judged"
    elif peak > available:
        verdict = "short at peak"
    elif source.licence_m3 is not None and season > source.licence_m3:
        verdict = "short in season"
    return SourceBalance(
        source_id=source.source_id,
        fields=len({load.field_id for load in loads}),
        irrigated_ha=float(sum(load.area_ha for load in loads)),
        peak_m3_day=float(peak),
        available_m3_day=available,
        peak_share_pct=100.0 * peak / available if available > 0.0 else None,
        season_m3=float(season),
        licence_m3=source.licence_m3,
        verdict=verdict,
    )


def _short_at_peak(source: Source, balance: SourceBalance, all_of_them: Sequence[SourceBalance]) -> Finding:
    shortage = balance.peak_m3_day - balance.available_m3_day
    hectares = shortage / (balance.peak_m3_day / balance.irrigated_ha) if balance.irrigated_ha > 0.0 else 0.0
    what = (
        f"short by {shortage:,.0f} m3/day at the peak: its fields need "
        f"{balance.peak_m3_day:,.0f}, it gives {balance.available_m3_day:,.0f}; that is {hectares:.1f} ha"
    )
    judged = [b for b in all_of_them if b.verdict != "not judged"]
    if sum(b.peak_m3_day for b in judged) <= sum(b.available_m3_day for b in judged):
        what += (
            ". All sources taken together would look sufficient, but the water of one does not reach "
            "the fields of another"
        )
    return Finding(
        "attention",
        "supply",
        what,
        balance.source_id,
        "; or ".join(_remedies(source, balance, shortage, hectares, all_of_them)),
        balance.peak_m3_day,
        balance.available_m3_day,
        "m3/day",
    )


def _remedies(
    source: Source,
    balance: SourceBalance,
    shortage: float,
    hectares: float,
    all_of_them: Sequence[SourceBalance],
) -> list[str]:
    """What would serve: land on another source, longer hours, storage, less land."""
    found = []
    for other in all_of_them:
        spare = other.available_m3_day - other.peak_m3_day
        if other.source_id != balance.source_id and spare > 0.0 and other.verdict == "sufficient":
            movable = min(hectares, hectares * spare / shortage)
            found.append(
                f"link {movable:.1f} ha to {other.source_id}, which has {spare:,.0f} m3/day to spare"
            )
    if source.flow_m3h > 0.0 and balance.peak_m3_day / source.flow_m3h <= 24.0:
        found.append(
            f"run {balance.peak_m3_day / source.flow_m3h:.1f} h a day instead of {source.hours_per_day:g}"
        )
    found.append(f"store {shortage:,.0f} m3 for each day of the peak, filled before it")
    found.append(f"irrigate {hectares:.1f} ha less from it")
    return found


def _short_in_season(balance: SourceBalance, licence_m3: float) -> Finding:
    shortage = balance.season_m3 - licence_m3
    hectares = shortage / (balance.season_m3 / balance.irrigated_ha) if balance.irrigated_ha > 0.0 else 0.0
    return Finding(
        "attention",
        "supply",
        f"source {balance.source_id}: the season needs {balance.season_m3:,.0f} m3, its licence allows "
        f"{licence_m3:,.0f}: short by {shortage:,.0f} m3, about {hectares:.1f} ha",
        balance.source_id,
        f"move {hectares:.1f} ha to another source or out of irrigation, or ask for a greater licence",
        balance.season_m3,
        licence_m3,
        "m3",
    )


def _not_judged(balance: SourceBalance) -> Finding:
    return Finding(
        "note",
        "supply",
        f"source {balance.source_id} is not judged: the demand of its fields is assumed, not computed here",
        balance.source_id,
        "give weather, so that the need can be set against the source",
        balance.peak_m3_day,
        balance.available_m3_day,
        "m3/day",
    )
