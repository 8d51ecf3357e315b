"""The pieces of a set-up as things to carry: an arch, an insert, a shim cut for its place.

A shim is bevelled on its upper edge and cut to its pocket's outline, stepped in over the layers under it, so it serves
that pocket and that place in a stack alone. It is never turned over to the other side: the bevel would lie below.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from shimwright.optimize.kit_model import Bools
from shimwright.optimize.pad import Pad
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.setup import Setup, Stack
from shimwright.optimize.stacks import step_in_mm, stepped_outline
from shimwright.scan.raw import FloatArray

ARCH, INSERT, SHIM = "arch", "insert", "shim"


@dataclass(frozen=True)
class Piece:
    """One thing to carry. kind: arch | insert | shim; name: of arch, insert or shim.

    Of a shim: pocket, thickness_mm, and how far its outline is stepped in from the pocket's. copy: 2 is a second one.
    """

    kind: str
    name: str
    pocket: str | None = None
    thickness_mm: float = 0.0
    step_in_mm: float = 0.0
    copy: int = 1


@dataclass(frozen=True)
class Pieces:
    """All that the stock allows. arch, insert: name → column. stacks (pockets, stacks, units): what a stack needs."""

    pieces: tuple[Piece, ...]
    arch: Mapping[str, int]
    insert: Mapping[str, int]
    stacks: Bools

    @property
    def arches(self) -> Bools:
        return np.array([piece.kind == ARCH for piece in self.pieces], bool)


def pieces_of_stack(pad: Pad, pocket: str, stack: Stack) -> tuple[Piece, ...]:
    """From the horse outward; alike ones are counted."""
    seen: Counter[Piece] = Counter()
    found, under = [], 0.0
    for layer in stack:
        piece = Piece(SHIM, layer.shim, pocket, layer.thickness_mm, step_in_mm(pad.pocket(pocket), under))
        seen[piece] += 1
        found.append(Piece(SHIM, layer.shim, pocket, layer.thickness_mm, piece.step_in_mm, seen[piece]))
        under += layer.thickness_mm
    return tuple(found)


def pieces_of(setup: Setup, pad: Pad) -> tuple[Piece, ...]:
    """Everything one set-up takes, in the order of `all_pieces`."""
    tools = [Piece(ARCH, setup.arch)] if setup.arch is not None else []
    tools += [Piece(INSERT, setup.insert)] if setup.insert is not None else []
    return (
        *tools,
        *(p for pocket in pad.pockets for p in pieces_of_stack(pad, pocket.name, setup.stacks[pocket.name])),
    )


def all_pieces(saddle: Saddle, pad: Pad, stacks: Sequence[Stack]) -> Pieces:
    """Arches, inserts, then pocket by pocket what lies next to the horse first."""
    tools = [Piece(ARCH, arch.name) for arch in saddle.arches] + [Piece(INSERT, one.name) for one in pad.inserts]
    made = {(p.name, s): pieces_of_stack(pad, p.name, stack) for p in pad.pockets for s, stack in enumerate(stacks)}
    shims = dict.fromkeys(piece for one in made.values() for piece in one)
    place = {pocket.name: i for i, pocket in enumerate(pad.pockets)}
    order = [shim.name for shim in pad.shims]
    shims_sorted = sorted(
        shims, key=lambda p: (place[p.pocket or ""], p.step_in_mm, order.index(p.name), p.thickness_mm, p.copy)
    )
    pieces = (*tools, *shims_sorted)
    column = {piece: i for i, piece in enumerate(pieces)}
    table = np.zeros((len(pad.pockets), len(stacks), len(pieces)), bool)
    for p, pocket in enumerate(pad.pockets):
        for s in range(len(stacks)):
            table[p, s, [column[piece] for piece in made[pocket.name, s]]] = True
    arch = {piece.name: i for piece, i in column.items() if piece.kind == ARCH}
    insert = {piece.name: i for piece, i in column.items() if piece.kind == INSERT}
    return Pieces(pieces, arch, insert, table)


def outline_of(piece: Piece, pad: Pad) -> FloatArray:
    """(k, 2) outline of a shim as it is cut, in the pad's flat coordinates."""
    pocket = pad.pocket(piece.pocket or "")
    return stepped_outline(pocket, piece.step_in_mm)
