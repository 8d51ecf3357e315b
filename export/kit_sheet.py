"""kit.pdf: what to carry, who gets what in which order, what more pieces would give, who is left out and why."""

from pathlib import Path

from shimwright.export import kit_words, words
from shimwright.export.kit_curve import trade_off
from shimwright.export.kit_plan import kit_plan
from shimwright.export.kit_templates import whom
from shimwright.export.kit_words import KitJob
from shimwright.export.picture import for_paper
from shimwright.export.typesetting import PAPERS, set_pdf
from shimwright.optimize.cautions import standing_cautions
from shimwright.optimize.kit import Size, YardKit
from shimwright.optimize.kit_pieces import ARCH, INSERT, SHIM, Piece

SPARSE = 14  # horses that are set with room between the lines
MOST_SIZES = 9  # columns of the table of who goes how well in which kit
CURVE_MM, PLAN_MM = (118.0, 62.0), (48.0, 68.0)


def write_kit_sheet(yard: YardKit, job: KitJob, folder: Path) -> None:
    """Write kit.pdf into folder."""
    (folder / "kit.pdf").write_bytes(set_pdf("kit.typ", sheet_data(yard, job), job.date))


def sheet_data(yard: YardKit, job: KitJob) -> dict[str, object]:
    size = yard.sizes[job.size]
    who = [job.saddle.name, job.pad.name, words.day(job.date), job.prepared_by and f"prepared by {job.prepared_by}"]
    more = kit_words.larger(yard, size)
    return {
        "title": f"Kit for {len(yard.names)} horses, {job.saddle.name}",
        "paper": PAPERS[job.print_units],
        "who": " · ".join(part for part in who if part),
        "count": len(size.pieces),
        "sentence": kit_words.serves(yard, size),
        "few": kit_words.how_few(size),
        "more": more or "",
        "carry": [_group(yard, size, kind, job) for kind in (ARCH, INSERT, SHIM) if _of(size, kind)],
        "plan": for_paper(kit_plan(job.pad, size.pieces, *PLAN_MM)) if _of(size, SHIM) else None,
        "over": any(piece.step_in_mm for piece in size.pieces),
        "arch": "gullet" if job.saddle.style == "western" else "arch",
        "round": kit_words.round_words(size),
        "gets": _gets(yard, size, job),
        "curve": for_paper(trade_off(yard.sizes, job.size, *CURVE_MM)) if len(yard.sizes) > 1 else None,
        "sizes": _sizes(yard, job),
        "how": kit_words.how_chosen(yard),
        "left_out": _left_out(yard),
        "dense": len(yard.names) > SPARSE,
        "cautions": list(standing_cautions()),
    }


def _left_out(yard: YardKit) -> list[list[str]]:
    """[names, why]: those for whom the same is said together."""
    names: dict[str, list[str]] = {}
    for one in yard.left_out:
        names.setdefault(one.why, []).append(one.name)
    return [[", ".join(who), why] for why, who in names.items()]


def _of(size: Size, kind: str) -> list[Piece]:
    return [piece for piece in size.pieces if piece.kind == kind]


def _group(yard: YardKit, size: Size, kind: str, job: KitJob) -> dict[str, object]:
    """Arches, inserts or shims with who rides with each."""
    names = {ARCH: "Gullets" if job.saddle.style == "western" else "Arches", INSERT: "Inserts", SHIM: "Shims"}
    rows = []
    for piece in _of(size, kind):
        rows.append([_piece_name(piece, job), whom(yard, size, piece, job)])
    return {"name": names[kind], "rows": rows}


def _piece_name(piece: Piece, job: KitJob) -> str:
    units = job.print_units
    if piece.kind == ARCH:
        arch = next(one for one in job.saddle.arches if one.name == piece.name)
        if arch.soft:
            return f"{piece.name}, follows the horse"
        return f"{piece.name}, {arch.included_deg:g}°, {words.length(arch.width_mm, units)} wide"
    if piece.kind == INSERT:
        insert = next(one for one in job.pad.inserts if one.name == piece.name)
        return f"{piece.name}, {words.thickness(insert.thickness_mm, units, 16)}"
    return kit_words.piece_name(piece, units)


def _gets(yard: YardKit, size: Size, job: KitJob) -> list[list[object]]:
    """[place, horse, arch, new arch?, insert, new insert?, shims, carries, how good], in the order of the round."""
    rows: list[list[object]] = []
    before = None
    for place, number in enumerate(size.order.horses, 1):
        one = size.horses[number]
        setup = one.setup
        rows.append([
            str(place),
            yard.names[number],
            setup.arch or "as built",
            before is not None and before.arch != setup.arch,
            setup.insert or "none",
            before is not None and before.insert != setup.insert,
            kit_words.shims(one, job.pad, job.print_units),
            kit_words.carries(one),
            kit_words.poorer(one),
        ])  # fmt: skip
        before = setup
    return rows


def _sizes(yard: YardKit, job: KitJob) -> dict[str, object]:
    """Horses against sizes of kit: how much poorer than their own best; at most so many sizes, evenly chosen."""
    last = len(yard.sizes) - 1
    columns = sorted({round(k * last / (MOST_SIZES - 1)) for k in range(MOST_SIZES)} | {job.size})
    order = yard.sizes[job.size].order.horses
    cells = [["" if one.poorer < kit_words.LEAST_SHOWN else f"{100 * one.poorer:.0f} %" for one in yard.sizes[k].horses]
             for k in columns]  # fmt: skip
    return {
        "heads": [f"{len(yard.sizes[k].pieces)}" for k in columns],
        "contents": [kit_words.contents(yard.sizes[k].pieces) for k in columns],
        "chosen": columns.index(job.size),
        "rows": [[yard.names[number], *(column[number] for column in cells)] for number in order],
        "added": [_added(yard, k, job) for k in range(1, len(yard.sizes))],
    }


def _added(yard: YardKit, k: int, job: KitJob) -> list[str]:
    """What a larger kit has that the one before has not, and the other way round."""
    before, after = set(yard.sizes[k - 1].pieces), yard.sizes[k].pieces
    gone = [kit_words.piece_name(piece, job.print_units) for piece in yard.sizes[k - 1].pieces if piece not in after]
    new = [kit_words.piece_name(piece, job.print_units) for piece in after if piece not in before]
    return [f"{len(after)}", "; ".join(new) + (f" (without {'; '.join(gone)})" if gone else "")]
