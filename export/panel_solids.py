"""The panels' underside and the back as closed solids, mm, for a mill or a printer.

Both are grids: the underside's rows hold the stations of the section curves, so the curves lie on the solid; on the
block of the back each station and the spine are grooves.
"""

from pathlib import Path

import numpy as np
from manifold3d import Error, Manifold, Mesh64
from numpy.typing import NDArray

from shimwright.export.panel_curves import stations_mm
from shimwright.export.solids import write_stl
from shimwright.export.write_3mf import Solid
from shimwright.optimize.panel_fit import PanelFit, Remaining
from shimwright.scan.back import Back
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused

PLATE_MM = 5.0  # behind the underside: something to hold
ALONG_MM, ACROSS = 5.0, 49
BLOCK_SIDE_MM = 230.0  # of the block to each side of the spine
BLOCK_ENDS_MM = 60.0  # in front of the arch and behind the panels
BLOCK_FOOT_MM = 25.0
GROOVE_MM = (1.0, 1.2)  # depth, half-width
STEEPEST_DEG = 78.0  # beyond it a block's side would turn under
HOLES_ALLOWED = 0.05  # of the block, bridged; more is refused


def write_panel_solids(fit: PanelFit, back: Back, folder: Path) -> None:
    """panel-underside.stl (both panels, saddle frame) and back-block.stl (back frame)."""
    write_stl(underside_solid(fit), folder / "panel-underside.stl")
    write_stl(back_block(fit, fit.remaining[0], back), folder / "back-block.stl")


def underside_solid(fit: PanelFit) -> Solid:
    """Two closed plates whose lower face is the underside; z = 0 is the arch's top, x forward, y left."""
    length = fit.saddle.length_mm
    x = np.unique(np.concatenate([np.linspace(0.0, length, round(length / ALONG_MM) + 1), stations_mm(length)]))
    across = np.linspace(0.0, 1.0, ACROSS)
    points, triangles, count = [], [], 0
    for side, sign in enumerate((1, -1)):
        s, t = np.meshgrid(x / length, across, indexing="ij")
        below = fit.panels[side].points(s, t, sign)
        below[..., 2] += fit.lift_mm
        normals, _ = fit.panels[side].frame(s, t, sign)
        part, faces = _closed(below - PLATE_MM * normals, below, flip=sign > 0)
        points.append(part)
        triangles.append(faces + count)
        count += len(part)
    return _checked(Solid("panel underside", np.vstack(points), np.vstack(triangles)))


def back_block(fit: PanelFit, rest: Remaining, back: Back) -> Solid:
    """The back under and around the saddle on a flat foot, sections and spine marked by grooves."""
    front, length = float(rest.origin_mm[0]), fit.saddle.length_mm
    stations = front - stations_mm(length)
    surface = back.surface
    rear_x = max(front - length - BLOCK_ENDS_MM, float(surface.x_mm[0]))
    front_x = min(front + BLOCK_ENDS_MM, float(surface.x_mm[-1]))
    marked = np.concatenate([stations + offset for offset in (-GROOVE_MM[1], 0.0, GROOVE_MM[1])])
    x = np.unique(np.concatenate([np.arange(rear_x, front_x, ALONG_MM), [front_x], marked]).round(4))
    x = x[(x >= rear_x) & (x <= front_x)]
    x = x[np.append(True, np.diff(x) > 0.2)]
    phi = np.radians(np.arange(-STEEPEST_DEG, STEEPEST_DEG + 0.1, 1.0))
    points = back.point(x[:, None], phi[None, :])
    points = _trimmed(points)
    grooved = np.isin(x.round(4), stations.round(4))
    points[grooved, :, 2] -= GROOVE_MM[0]
    points[:, points.shape[1] // 2, 2] -= GROOVE_MM[0]
    foot = points.copy()
    foot[..., 2] = np.nanmin(points[..., 2]) - BLOCK_FOOT_MM
    return _checked(Solid("back block", *_closed(points, foot, flip=False)))


def _trimmed(points: FloatArray) -> FloatArray:
    """Columns seen nearly everywhere and inside the block's width, their holes bridged along the back."""
    wide = np.nanmax(np.abs(points[..., 1]), axis=0) <= BLOCK_SIDE_MM
    seen: NDArray[np.bool_] = ~np.isnan(points.sum(axis=2))
    middle = points.shape[1] // 2
    usable: NDArray[np.bool_] = np.ones(points.shape[1], dtype=bool)
    usable &= wide & (seen.mean(axis=0) > 1 - 4 * HOLES_ALLOWED)
    if not usable[middle]:
        raise InputRefused(
            "the spine under the saddle was not seen, so the back cannot be made a block: scan it from above"
        )
    reach = min(_run(usable[middle:]), _run(usable[middle::-1]))
    kept, seen = points[:, middle - reach + 1 : middle + reach], seen[:, middle - reach + 1 : middle + reach]
    if (~seen).mean() > HOLES_ALLOWED:
        raise InputRefused(
            f"{100 * (~seen).mean():.0f} % of the back under and around the saddle was not seen: too much to make it a "
            "block; scan it again"
        )
    kept = kept.copy()
    rows = np.arange(len(kept))
    for column in range(kept.shape[1]):
        gaps = ~seen[:, column]
        for axis in range(1, 3):
            kept[gaps, column, axis] = np.interp(rows[gaps], rows[~gaps], kept[~gaps, column, axis])
    # y must grow outward everywhere, or the block's foot would fold
    kept[..., 1] = np.maximum.accumulate(kept[..., 1] + 1e-3 * np.arange(kept.shape[1]), axis=1)
    return kept


def _run(usable: NDArray[np.bool_]) -> int:
    """How many from the start are usable without a break."""
    return int(np.argmin(usable)) if not usable.all() else len(usable)


def _closed(top: FloatArray, foot: FloatArray, flip: bool) -> tuple[FloatArray, NDArray[np.int64]]:
    """Two grids (rows, columns, 3) one above the other and the walls between: closed triangles, facing outward when
    columns grow to the left of rows that grow forward; flip: the other way.
    """
    rows, columns = top.shape[:2]
    index = np.arange(rows * columns).reshape(rows, columns)
    a, b, c, d = index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]
    upper = np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])
    lower = upper[:, ::-1] + rows * columns
    rim = np.concatenate([index[:, 0], index[-1, 1:], index[-2::-1, -1], index[0, -2:0:-1]])
    after, shift = np.roll(rim, -1), rows * columns
    walls = np.concatenate([np.stack([after, rim, rim + shift], -1), np.stack([after, rim + shift, after + shift], -1)])
    triangles = np.concatenate([upper, lower, walls])
    points = np.concatenate([top.reshape(-1, 3), foot.reshape(-1, 3)])
    return points, triangles[:, ::-1] if flip else triangles


def _checked(solid: Solid) -> Solid:
    """The solid itself, outward whichever way the grid ran; ValueError where it is not closed."""
    points = solid.points_mm.astype(np.float32).astype(float)  # what the file will hold
    whole = Manifold(Mesh64(points, solid.triangles.astype(np.uint64)))
    if whole.status() != Error.NoError:
        raise ValueError(f"{solid.name}: no closed solid ({whole.status()})")
    corners = points[solid.triangles]
    volume = np.einsum("ij,ij->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])) / 6
    if volume < 0:
        return Solid(solid.name, solid.points_mm, solid.triangles[:, ::-1])
    return solid
