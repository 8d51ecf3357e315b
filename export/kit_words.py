"""The kit in words, once for terminal, table and sheet: what to carry, who gets what, what a larger kit would give."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from shimwright.export import words
from shimwright.optimize.kit import Served, Size, YardKit
from shimwright.optimize.kit_pieces import ARCH, INSERT, SHIM, Piece, pieces_of
from shimwright.optimize.limits import limits
from shimwright.optimize.pad import Pad
from shimwright.optimize.saddle import Saddle

KINDS = ((ARCH, "arch", "arches"), (INSERT, "insert", "inserts"), (SHIM, "shim", "shims"))
AS_GOOD = "as good"
LEAST_SHOWN = 0.005  # poorer by less than half a percent is nothing to print


@dataclass(frozen=True)
class KitJob:
    """For whom. inputs: of every horse, as told. size: which of the yard's sizes is given out."""

    saddle: Saddle
    pad: Pad
    date: str | None
    prepared_by: str | None
    print_units: str
    size: int


def counted(count: int, one: str, many: str) -> str:
    """`1 arch`, `3 arches`.

    >>> counted(1, "arch", "arches"), counted(0, "shim", "shims")
    ('1 arch', '0 shims')
    """
    return f"{count} {one if count == 1 else many}"


def contents(pieces: Iterable[Piece]) -> str:
    """`2 arches, 1 insert, 4 shims`; what there is none of is left out."""
    kinds = [piece.kind for piece in pieces]
    parts = [counted(kinds.count(kind), one, many) for kind, one, many in KINDS if kind in kinds]
    return ", ".join(parts) or "nothing but the saddle"


def serves(yard: YardKit, size: Size) -> str:
    """What the kit is and does, and whether a smaller one could."""
    horses = counted(len(yard.names), "horse", "horses")
    whom = f"all {horses}" if len(yard.names) > 1 and not yard.left_out else horses
    return f"{counted(len(size.pieces), 'piece serves', 'pieces serve')} {whom}: {contents(size.pieces)}."


def how_few(size: Size) -> str:
    """What is proven of the kit's size and fit; the gap where time ended first."""
    count = len(size.pieces)
    if size.fewest is not None and size.fewest < count:
        few = counted(size.fewest, "piece", "pieces")
        return f"Time ended before a smaller kit was ruled out: {few} may still serve them."
    said = (
        "No smaller kit serves them"
        if size.fewest is not None
        else f"No kit of {count} pieces or fewer suits them better"
    )
    if size.proven:
        return f"{said} (proven)."
    gap = 100 * (size.price - size.bound) / max(size.price, 1e-9)
    kept = "No smaller kit serves them. " if size.fewest is not None else ""
    return f"{kept}Time ended before the best of its size was proven: {gap:.0f} % of what is poorer may still be saved."


def larger(yard: YardKit, size: Size) -> str | None:
    """The smallest kit with which every horse goes as well as with its own best; None where the chosen one does."""
    every = next((one for one in yard.sizes if as_good(one) == len(yard.names)), yard.sizes[-1])
    if as_good(size) == len(yard.names):
        return None
    return f"With {len(every.pieces)} pieces every horse goes as well as with its own best set-up."


def as_good(size: Size) -> int:
    """How many horses go as well as with their own best set-up."""
    return sum(one.poorer < LEAST_SHOWN for one in size.horses)


def poorer(one: Served) -> str:
    """Beside its own best set-up: `as good`, or how much poorer."""
    return AS_GOOD if one.poorer < LEAST_SHOWN else f"{100 * one.poorer:.0f} % poorer"


def mean_poorer(size: Size) -> float:
    """Over all horses, a share."""
    return sum(one.poorer for one in size.horses) / max(len(size.horses), 1)


def carries(one: Served) -> str:
    """Share of the panel that carries, mounted."""
    return f"{100 * (1 - one.contact.cases['mounted'].bridged_share):.0f} %"


def piece_name(piece: Piece, units: str) -> str:
    """What to look for in the box: `arch medium`, `felt sheet 6 mm, front left`."""
    if piece.kind != SHIM or piece.pocket is None:
        return f"{piece.kind} {piece.name}"
    return f"{piece.name} {words.thickness(piece.thickness_mm, units)}, {words.place(piece.pocket)}{cut(piece)}"


def cut(piece: Piece) -> str:
    """How it differs from the pocket's own outline, or from the first of its kind."""
    smaller = f", cut {piece.step_in_mm:.0f} mm smaller all round" if piece.step_in_mm else ""
    return smaller + (f", number {piece.copy} of these" if piece.copy > 1 else "")


def users(yard: YardKit, size: Size, piece: Piece, pad: Pad) -> list[str]:
    """Horses that ride with it, in the order of the names."""
    return [name for name, one in zip(yard.names, size.horses, strict=True) if piece in pieces_of(one.setup, pad)]


def shims(one: Served, pad: Pad, units: str) -> str:
    """The pockets that hold something, both sides together where they are alike; `–` for none."""
    filled = {name: stack for name, stack in one.setup.stacks.items() if stack}
    said = []
    for name, stack in filled.items():
        partner = pad.partner(name)
        alike = partner is not None and filled.get(partner) == stack
        if alike and "right" in name:
            continue
        place = words.place(name).replace("left", "both sides" if alike else "left")
        said.append(f"{place} {words.stack(stack, units)}".replace(" mm", "\u00a0mm"))
    return ", ".join(said) or "–"


def round_words(size: Size) -> str:
    """What has to be changed on the way round the yard, and whether that is the least."""
    arch, insert, moved = size.order.changes
    if not any(size.order.changes):
        return "Nothing has to be changed from horse to horse."
    parts = [counted(arch, "change of arch", "changes of arch"), counted(insert, "of insert", "of inserts")]
    few = {3: "the fewest possible", 2: "arches and inserts the fewest possible", 1: "arches the fewest possible"}
    shims_moved = f"{counted(moved, 'shim', 'shims')} put in or taken out"
    return f"In this order: {', '.join(parts)}, {shims_moved} ({few[sum(size.order.fewest)]})."


def kit_lines(yard: YardKit, job: KitJob) -> list[str]:
    """What the terminal says."""
    lines = []
    if yard.sizes:
        size = yard.sizes[job.size]
        lines.append(f"kit: {serves(yard, size)} {how_few(size)}")
        lines += [f"  {'; '.join(piece_name(piece, job.print_units) for piece in size.pieces)}"] if size.pieces else []
        for number in size.order.horses:
            one = size.horses[number]
            lines.append(
                f"  {yard.names[number]}: {words.setup(one.setup, job.pad, job.print_units)}; {carries(one)} of the "
                f"panel carries, {poorer(one)} {'as' if one.poorer < LEAST_SHOWN else 'than'} its own best"
            )
        lines.append(f"  {round_words(size)}")
        more = larger(yard, size)
        lines += [f"  {more}"] if more else []
    else:
        lines.append("kit: none, for no horse can be served")
    return lines + [f"  left out, {one.name}: {one.why}" for one in yard.left_out]


def how_chosen(yard: YardKit) -> list[str]:
    """From what the kit was chosen, and what its words mean."""
    listed = [one.listed for one in yard.lists]
    most, least = (f"{value:,}".replace(",", " ") for value in (max(listed), min(listed)))
    struck = sum(one.struck_off for one in yard.lists)
    near = [one.margin for one in yard.lists if math.isfinite(one.margin)]
    ties = limits().ties
    lines = [
        "Every set-up that the stock allows is judged for every horse as in a fit. Those within limits and in good "
        f"contact make the horse's list: here {least if least == most else f'{least} to {most}'} set-ups. What a kit "
        f"gives is judged again on the fine grid: {struck or 'none'} {'was' if struck == 1 else 'were'} struck off.",
        "A piece is one arch, one insert, or one shim cut for its pocket and its place in the stack. It serves every "
        "horse, one after another.",
        "Poorer: by the figure that orders set-ups (evenness first, then daylight, level, pieces), beside the horse's "
        f"own best from the whole stock. Within {100 * ties.share:g} % or {ties.cost:g} of it counts as good as it.",
    ]
    if near:
        lines.append(
            f"The stock is large: for {counted(len(near), 'horse', 'horses')} set-ups more than {min(near):g} beyond "
            "the own best in that figure were left out. What is proven is proven over the rest."
        )
    return lines
