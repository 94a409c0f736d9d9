"""Zones of a source take turns: the queue for its water, from day to day.

What is due joins the queue, the queue runs through the day's hours, and what does not fit goes first on the
next day. While others wait, a turn is no longer than the zone's even share of the hours of an interval: what
it lacks then waits behind them, so that none goes dry while another is filled.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from farmgis.planning.source_season import SourceSeason
from farmgis.planning.sowing import LEAST_PART_H, part_h
from farmgis.records import Floats

LEAST_TURN_H = 2.0
"""A turn is not cut shorter: filling and draining pipes would take too much of it (common practice)."""

SECOND_H = 1.0 / 3600.0


@dataclass(frozen=True)
class Run:
    """A zone's run on one day, from `start_h` after the source begins; `part` tells whether it is all."""

    zone: int
    start_h: float
    hours: float
    given_h: Floats  # of each of the zone's blocks
    part: str


@dataclass
class Queue:
    """The zones that wait for water, in their order, while the season runs.

    `waiting_h` are the hours that each block is still to run; `settled_h` what it was given so far, with
    what it no longer needs because it went short. `turn_h` is what is left of the first zone's turn, where
    the day's end cut it off.
    """

    zones: list[int]
    waiting_h: Floats
    settled_h: Floats
    turn_h: float = 0.0

    def longest_h(self, members: NDArray[np.int64]) -> float:
        """Hours that a zone with those blocks would run to give all that they wait for."""
        return max(0.0, float(self.waiting_h[members].max(initial=0.0)))

    def leave(self, own: SourceSeason, day: int) -> None:
        """Blocks whose season is over ask for nothing more: what came too late is not given after harvest."""
        over = own.over <= day
        self.waiting_h[over] = 0.0
        self.settled_h[over] = own.asked_h[-1, over]
        still = [z for z in self.zones if self.waiting_h[own.members[z]].max() > SECOND_H]
        if still[:1] != self.zones[:1]:
            self.turn_h = 0.0
        self.zones = still

    def join(self, own: SourceSeason, day: int, depletion: Floats) -> int:
        """Put the zones that are due into the queue; return how many still waited for their last turn.

        Such a zone asks anew for what its soil lacks by now: a crop under stress has taken less. A zone that
        waits untouched also asks for what its soil has lost meanwhile, up to what is due at its next turn.
        """
        late = 0
        lacking = np.maximum(depletion - own.rain_mm[day], 0.0) / own.net_mm_per_h
        for zone, members in enumerate(own.members):
            due = own.asked_h[day, members] - self.settled_h[members]
            waits = zone in self.zones
            if members.size and own.due_h[day, members].max() > SECOND_H and due.max() > SECOND_H:
                if waits:
                    late += 1
                    due = np.minimum(due, lacking[members])
                    self.settled_h[members] = own.asked_h[day, members] - due
                else:
                    self.zones.append(zone)
                self.waiting_h[members] = due
            elif waits and not (self.turn_h > 0.0 and zone == self.zones[0]):
                most = own.asked_next_h[day, members] - self.settled_h[members]
                more = np.minimum(lacking[members], most)
                self.waiting_h[members] = np.maximum(self.waiting_h[members], more)
        return late

    def run_day(self, own: SourceSeason, busy_h: float) -> tuple[Floats, list[Run]]:
        """What each block is given on a day after its first, busy hours; zones that are done leave."""
        given = np.zeros(self.waiting_h.size)
        runs: list[Run] = []
        clock = busy_h
        while self.zones and own.hours_per_day - clock > SECOND_H:
            zone = self.zones[0]
            members = own.members[zone]
            turn = self._turn_of_first_h(own, self.longest_h(members))
            if turn <= SECOND_H:  # rain has given it
                self.zones, self.turn_h = self.zones[1:], 0.0
                continue
            hours = part_h(turn, own.hours_per_day - clock, own.hours_per_day)
            if hours <= 0.0:
                break
            waiting = np.maximum(self.waiting_h[members], 0.0)
            run = np.minimum(waiting, hours)
            given[members] += run
            self.waiting_h[members] = waiting - run
            self.settled_h[members] += run
            self.turn_h = turn - hours
            left = self.longest_h(members) > SECOND_H
            cut = "refill, to be continued" if self.turn_h > 0.0 else "refill in part"
            runs.append(Run(zone, clock, hours, run, cut if left else "refill"))
            clock += hours
            if self.turn_h <= 0.0:
                self.zones = [*self.zones[1:], *([zone] if left else [])]
        return given, runs

    def _turn_of_first_h(self, own: SourceSeason, longest_h: float) -> float:
        """Hours of the first zone's turn: what is left of it; all it waits for, or a share if others wait."""
        if self.turn_h > 0.0:
            return min(self.turn_h, longest_h)
        share = max(own.turn_h[self.zones[0]], LEAST_TURN_H)
        return longest_h if len(self.zones) == 1 or longest_h - share < LEAST_PART_H else share
