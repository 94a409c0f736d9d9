"""Managed deficit: stages that are irrigated with less than they need, or later, and what it costs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from farmgis.agronomy.sown_soil import REPAY_DAYS, Deficit
from farmgis.agronomy.yield_response import STAGES, stage_sums, yield_left
from farmgis.records import Assumption, Crop, Design, Finding, Floats, StageShares

STAGE_NAMES = ("initial", "development", "middle", "late")

GRAVE_LOSS_PCT = 10.0
"""Expected loss of yield from which on it is more than a note (common practice)."""


TOLD_APART_PCT = 3.0
"""Losses by stages and by the season are told apart from this difference on."""


@dataclass(frozen=True)
class Cost:
    """What the crop does not take in the design year, and what of the yield is expected to be lost.

    `stage_taken` are the shares of full ET taken in the four stages. A loss is None where no response is
    known. That of the stages is right where few of them are short; where all are, that of the season.
    """

    stage_taken: Floats
    by_stage_pct: float | None
    by_season_pct: float | None

    @property
    def yield_loss_pct(self) -> float | None:
        """The loss stage by stage, or by the season where no stages' factors are known. [%]"""
        return self.by_season_pct if self.by_stage_pct is None else self.by_stage_pct

    def less(self, other: Cost) -> Cost:
        """What it costs over another cost of the same crop."""
        pairs = (self.by_stage_pct, other.by_stage_pct), (self.by_season_pct, other.by_season_pct)
        more = (None if a is None or b is None else max(a - b, 0.0) for a, b in pairs)
        return Cost(self.stage_taken, *more)

    @property
    def words(self) -> str | None:
        """What is lost, by both factors where they say different things; None where none is known."""
        stage, season = self.by_stage_pct, self.by_season_pct
        if stage is not None and season is not None and abs(stage - season) >= TOLD_APART_PCT:
            return f"about {stage:.0f} % of the yield stage by stage, {season:.0f} % by the season's factor"
        loss = self.yield_loss_pct
        return None if loss is None else f"about {loss:.0f} % of the yield"


def has_deficit(design: Design) -> bool:
    """Whether any stage has a rule of its own."""
    rules = (design.deficit_need, design.deficit_depletion)
    return any(share is not None for rule in rules if rule is not None for share in rule.all)


def deficit_days(design: Design, stage: NDArray[np.int64]) -> Deficit | None:
    """The rules by day for days' stages (days, n); None where the design has none."""
    if not has_deficit(design):
        return None
    return Deficit(_shares(design.deficit_need, 1.0)[stage], _shares(design.deficit_depletion, np.nan)[stage])


def days_before(design: Design, stage: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which days of a season (days,) come before any deficit: all of them where the design has none."""
    days = deficit_days(design, stage)
    if days is None:
        return np.ones(stage.shape, dtype=np.bool_)
    meant = (days.share < 1.0) | ~np.isnan(days.trigger)
    return np.asarray(np.cumsum(meant) == 0)


def cost(crop: Crop, lacking_mm: Floats, stage: NDArray[np.int64], stage_full_mm: Floats) -> Cost:
    """What days with less than full ET cost (days,), of a season whose stages take so much in full (4,)."""
    lacking = stage_sums(lacking_mm, stage)
    shares = 1.0 - lacking / np.maximum(stage_full_mm, 1e-12)
    by_stage = yield_left(lacking, stage_full_mm, crop.stage_responses, None)
    by_season = yield_left(lacking, stage_full_mm, None, crop.season_response)
    lost = (None if left is None else 100.0 * (1.0 - left) for left in (by_stage, by_season))
    return Cost(shares, *lost)


def tell_deficit(crop: Crop, design: Design) -> tuple[Assumption, ...]:
    """The rules, how what is owed comes back, and by what the yield is reckoned."""
    if not has_deficit(design):
        return ()
    told = []
    for key, rule, unit in (
        ("deficit_need", design.deficit_need, "% of need"),
        ("deficit_depletion", design.deficit_depletion, "% of the readily available water"),
    ):
        if rule is not None:
            told.append(Assumption(key, f"{crop.name}: {words(rule)}", unit, "farm file", "user"))
    said = f"what a stage of deficit leaves lacking is given back over {REPAY_DAYS} days"
    told.append(Assumption("deficit_repaid", str(REPAY_DAYS), "days", said, "common practice"))
    return (*told, *tell_response(crop))


def tell_response(crop: Crop) -> tuple[Assumption, ...]:
    """By what a loss of yield is reckoned."""
    if crop.stage_responses is not None:
        value = ", ".join(f"{k:g}" for k in crop.stage_responses)
        said = "Ky of the four stages, their losses multiplied; FAO-33 (Doorenbos and Kassam 1979)"
        return (Assumption("yield_response", f"{crop.name}: {value}", "", said, "memory"),)
    if crop.season_response is not None:
        value = f"{crop.name}: {crop.season_response:g}"
        return (Assumption("yield_response", value, "", "Ky of the season, FAO-56 table 24", "published"),)
    return ()


def find_deficit(
    crop: Crop, design: Design, what_of: Cost, net_mm: float, full_net_mm: float
) -> list[Finding]:
    """What the deficit saves and costs in the design year."""
    if not has_deficit(design):
        return []
    short = [
        f"{100.0 * share:.0f} % in the {name} stage"
        for name, share in zip(STAGE_NAMES, what_of.stage_taken, strict=True)
        if share < 0.995
    ]
    takes = "the crop takes all that it would" if not short else f"the crop takes {', '.join(short)}"
    loss = what_of.yield_loss_pct
    lost = "no response of its yield is known" if loss is None else f"the loss to expect is {what_of.words}"
    what = (
        f"{crop.name}: deficit irrigation gives {net_mm:.0f} mm net where all of the need is "
        f"{full_net_mm:.0f}; of its full ET {takes}; {lost}"
    )
    advice = "look at the soil in these stages; give more where the crop rolls its leaves before its time"
    grave = loss is None or loss >= GRAVE_LOSS_PCT
    limit = GRAVE_LOSS_PCT if loss is not None else None
    return [
        Finding("attention" if grave else "note", "demand", what, "farm", advice, loss, limit, "% of yield")
    ]


def words(rule: StageShares) -> str:
    """The stages that have a rule, with it."""
    pairs = zip(STAGE_NAMES, rule.all, strict=True)
    return ", ".join(f"{name} {share:g}" for name, share in pairs if share is not None)


def _shares(rule: StageShares | None, none: float) -> Floats:
    """A share for each stage, as a fraction."""
    given = (None,) * STAGES if rule is None else rule.all
    return np.array([none if share is None else share / 100.0 for share in given])
