"""kit.json and kit.csv: the kit of a yard as data. Keys are stable: add, do not rename."""

import csv
from collections.abc import Mapping
from pathlib import Path

from shapely.geometry import Polygon

from shimwright.export.kit_words import KitJob, as_good, mean_poorer, users
from shimwright.export.plain_json import MADE_BY, number, plain
from shimwright.export.setup_json import setup_to_json
from shimwright.optimize.kit import HorseList, Served, Size, YardKit
from shimwright.optimize.kit_pieces import SHIM, Piece, outline_of

SCHEMA = "shimwright/kit/1"
COLUMNS = (
    "kind", "name", "pocket", "side", "material", "thickness_mm", "stepped_in_mm", "copy", "length_mm", "width_mm",
    "area_cm2", "horses",
)  # fmt: skip


def kit_to_json(yard: YardKit, job: KitJob, inputs: Mapping[str, object]) -> dict[str, object]:
    """The chosen size in full, the trade-off as figures. Costs are those of the search."""
    chosen = yard.sizes[job.size] if yard.sizes else None
    return {
        "schema": SCHEMA,
        "made_by": MADE_BY,
        "inputs": plain(inputs),
        "saddle": job.saddle.name,
        "pad": job.pad.name,
        "kit": None if chosen is None else _kit(yard, chosen, job),
        "horses": [] if chosen is None else [
            _horse(name, one, listed)
            for name, one, listed in zip(yard.names, chosen.horses, yard.lists, strict=True)
        ],
        "left_out": [{"horse": one.name, "verdict": one.verdict, "why": one.why} for one in yard.left_out],
        "trade_off": [_point(yard, size) for size in yard.sizes],
    }  # fmt: skip


def _kit(yard: YardKit, size: Size, job: KitJob) -> dict[str, object]:
    arch, insert, shims = size.order.changes
    return {
        "count": len(size.pieces),
        "smallest": size is yard.sizes[0],
        "proven": size.proven,
        "fewest_proven": size.fewest,
        "pieces": [{**_piece(piece), "horses": users(yard, size, piece, job.pad)} for piece in size.pieces],
        "order": {
            "horses": [yard.names[number] for number in size.order.horses],
            "arch_changes": arch,
            "insert_changes": insert,
            "shims_moved": shims,
            "fewest_proven": dict(zip(("arch", "insert", "shims"), size.order.fewest, strict=True)),
        },
    }


def _piece(piece: Piece) -> dict[str, object]:
    shim = piece.kind == SHIM
    return {
        "kind": piece.kind,
        "name": piece.name,
        "pocket": piece.pocket,
        "thickness_mm": number(piece.thickness_mm, 3) if shim else None,
        "stepped_in_mm": number(piece.step_in_mm) if shim else None,
        "copy": piece.copy,
    }


def _horse(name: str, one: Served, listed: HorseList) -> dict[str, object]:
    mounted = one.contact.cases["mounted"]
    return {
        "horse": name,
        "setup": setup_to_json(one.setup),
        "cost": number(one.cost, 4),
        "poorer_share": number(one.poorer, 4),
        "carries_share": number(1 - mounted.bridged_share, 3),
        "peak_kpa": number(mounted.peak_kpa, 1),
        "pitch_deg": number(mounted.pitch_deg),
        "roll_deg": number(mounted.roll_deg),
        "own_best": {"setup": setup_to_json(listed.best.setup), "cost": number(listed.best.cost, 4)},
        "as_found": setup_to_json(listed.as_found.setup),
        "list": {
            "setups": listed.setups,
            "listed": listed.listed,
            "margin": number(listed.margin, 4),
            "struck_off": listed.struck_off,
        },
    }


def _point(yard: YardKit, size: Size) -> dict[str, object]:
    return {
        "count": len(size.pieces),
        "pieces": [_piece(piece) for piece in size.pieces],
        "price": number(size.price, 4),
        "price_proven_from": number(size.bound, 4),
        "proven": size.proven,
        "as_good": as_good(size),
        "mean_poorer_share": number(mean_poorer(size), 4),
        "horses": [
            {"horse": name, "setup": setup_to_json(one.setup), "poorer_share": number(one.poorer, 4)}
            for name, one in zip(yard.names, size.horses, strict=True)
        ],
    }


def write_kit_csv(yard: YardKit, job: KitJob, path: Path) -> None:
    """kit.csv: a row for each piece, what it is, its size as cut, and which horses ride with it."""
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, COLUMNS, restval="", lineterminator="\n")
        table.writeheader()
        if yard.sizes:
            size = yard.sizes[job.size]
            table.writerows(_row(yard, size, piece, job) for piece in size.pieces)


def _row(yard: YardKit, size: Size, piece: Piece, job: KitJob) -> dict[str, object]:
    row: dict[str, object] = {
        "kind": piece.kind,
        "name": piece.name,
        "horses": "; ".join(users(yard, size, piece, job.pad)),
    }
    insert = next((one for one in job.pad.inserts if one.name == piece.name), None)
    if piece.kind != SHIM:
        told = insert is not None and piece.kind == "insert"
        return row | (
            {"material": insert.material, "thickness_mm": f"{insert.thickness_mm:g}"} if told and insert else {}
        )
    outline = outline_of(piece, job.pad)
    shim = next(one for one in job.pad.shims if one.name == piece.name)
    return row | {
        "pocket": piece.pocket,
        "side": job.pad.pocket(piece.pocket or "").side,
        "material": shim.material,
        "thickness_mm": f"{piece.thickness_mm:g}",
        "stepped_in_mm": f"{piece.step_in_mm:.1f}",
        "copy": piece.copy,
        "length_mm": f"{outline[:, 0].max() - outline[:, 0].min():.1f}",
        "width_mm": f"{outline[:, 1].max() - outline[:, 1].min():.1f}",
        "area_cm2": f"{Polygon(outline).area / 100:.1f}",
    }
