"""Sized mains piece by piece: each length of one size, drawn, with the head line at its ends."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from farmgis.hydraulics.water import Water
from farmgis.planning.main_network import MainNetwork, chainage_m
from farmgis.planning.main_sizes import Sizes, gradients
from farmgis.planning.route_graph import Ints
from farmgis.records import Floats, Pipe


@dataclass(frozen=True)
class Piece:
    """A length of one size within a link, drawn; heads are above datum in each shift, NaN at rest."""

    main_id: str
    seq: int
    link: int
    pipe: Pipe
    line_m: Floats
    length_m: float
    start_head_m: Floats
    end_head_m: Floats


@dataclass(frozen=True)
class SizedNetwork:
    """A source's network with its sizes: what pieces are made of. `flow_m3h` is (shifts, nodes)."""

    source_id: str
    network: MainNetwork
    sizes: Sizes
    pipes: tuple[Pipe, ...]
    flow_m3h: Floats
    water: Water

    def pieces(self) -> Iterator[Piece]:
        """The mains piece by piece, from the source outward, the wider size of a link first."""
        number = 0
        for link in range(1, self.network.count):
            used = np.flatnonzero(self.sizes.length_m[link] > 0.0)
            if used.size:
                number += 1
                yield from self._pieces_of(link, used, f"{self.source_id}-M{number:02d}")

    def _pieces_of(self, link: int, used: Ints, main_id: str) -> Iterator[Piece]:
        inside = np.array([self.pipes[i].inside_mm for i in used])
        used = used[np.argsort(-inside, kind="stable")]
        line = self.network.line_m[link]
        run = chainage_m(line)
        head = self.sizes.head_m[:, self.network.parent[link]]
        fall = head - self.sizes.head_m[:, link]
        loss = self._losses(link, used)
        share = loss / np.maximum(loss.sum(axis=1, keepdims=True), 1e-12)
        start = 0.0
        for seq, size in enumerate(used, start=1):
            end = min(start + float(self.sizes.length_m[link, size]), float(run[-1]))
            after = head - share[:, seq - 1] * fall
            yield Piece(
                main_id, seq, link, self.pipes[size], _cut(line, run, start, end), end - start, head, after
            )
            start, head = end, after

    def _losses(self, link: int, used: Ints) -> Floats:
        """What each size used in a link takes of its loss, (shifts, sizes)."""
        pipes = tuple(self.pipes[i] for i in used)
        lost = gradients(self.flow_m3h[:, link], pipes, self.water) * self.sizes.length_m[link, used]
        return np.asarray(lost)


def _cut(line_m: Floats, run: Floats, start: float, end: float) -> Floats:
    """The part of a line between two chainages along the slope."""
    inner = (run > start + 1e-6) & (run < end - 1e-6)
    at = np.concatenate([[start], run[inner], [end]])
    return np.column_stack([np.interp(at, run, line_m[:, i]) for i in range(3)])
