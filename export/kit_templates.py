"""The kit's shims at full size: each piece once, with the horses that ride with it."""

from pathlib import Path

from shimwright.export import words
from shimwright.export.kit_words import KitJob, users
from shimwright.export.paper import PAPERS, Heading, lay_out
from shimwright.export.shim_parts import Labels, ShimPart, part_drawing, shim_parts
from shimwright.export.write_pdf import write_pdf
from shimwright.optimize.kit import Size, YardKit
from shimwright.optimize.kit_pieces import SHIM, Piece, pieces_of

NAMES_FIT = 3  # on a piece; more are counted


def write_kit_templates(yard: YardKit, job: KitJob, folder: Path) -> None:
    """templates-a4.pdf and templates-letter.pdf into folder."""
    size = yard.sizes[job.size]
    day = words.day(job.date)
    drawings = [
        part_drawing(part, Labels(whom(yard, size, piece, job), day, job.print_units))
        for piece, part in kit_parts(size, job)
    ]
    title = f"Kit, {job.saddle.name}"
    for paper in PAPERS:
        heading = Heading(title, day or "date not told")
        write_pdf(lay_out(drawings, paper, heading), folder / f"templates-{paper.name.lower()}.pdf", title)


def kit_parts(size: Size, job: KitJob) -> list[tuple[Piece, ShimPart]]:
    """Every shim of the kit once, as part of the highest stack that it is in."""
    found: dict[Piece, ShimPart] = {}
    for one in size.horses:
        shims = [piece for piece in pieces_of(one.setup, job.pad) if piece.kind == SHIM]
        for piece, part in zip(shims, shim_parts(job.pad, one.setup), strict=True):
            if piece not in found or part.layers > found[piece].layers:
                found[piece] = part
    return [(piece, found[piece]) for piece in size.pieces if piece.kind == SHIM]


def whom(yard: YardKit, size: Size, piece: Piece, job: KitJob) -> str:
    """The horses' names while they fit on a piece, else how many."""
    names = users(yard, size, piece, job.pad)
    if len(names) == len(yard.names) > NAMES_FIT:
        return "every horse"
    return ", ".join(names) if len(names) <= NAMES_FIT else f"{len(names)} horses"
