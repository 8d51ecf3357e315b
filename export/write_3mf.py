"""Solids → 3MF: unit, one named object per piece, the same bytes every time.

3MF Core Specification 1.3: an OPC package (ZIP) of content types, relationships and one model part.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from xml.sax.saxutils import quoteattr
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

import numpy as np
from numpy.typing import NDArray

from shimwright.scan.raw import FloatArray

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
CONTENT_TYPES = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/></Types>'
)
RELATIONSHIPS = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Target="/3D/3dmodel.model" Id="rel0" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
)
NO_CLOCK = (1980, 1, 1, 0, 0, 0)  # the earliest date a ZIP can hold


@dataclass(frozen=True)
class Solid:
    """points_mm (n, 3); triangles (m, 3) into them, counter-clockwise seen from outside."""

    name: str
    points_mm: FloatArray
    triangles: NDArray[np.int64]


def write_3mf(solids: Sequence[Solid], path: Path) -> None:
    parts = {
        "[Content_Types].xml": CONTENT_TYPES,
        "_rels/.rels": RELATIONSHIPS,
        "3D/3dmodel.model": _model(solids),
    }
    with ZipFile(path, "w") as package:
        for name, text in parts.items():
            entry = ZipInfo(name, NO_CLOCK)
            entry.compress_type = ZIP_DEFLATED
            package.writestr(entry, text.encode("utf-8"))


def _model(solids: Sequence[Solid]) -> str:
    objects = "".join(_object(i + 1, solid) for i, solid in enumerate(solids))
    items = "".join(f'<item objectid="{i + 1}"/>' for i in range(len(solids)))
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<model unit="millimeter" xml:lang="en-US" xmlns="{CORE}">'
        f'<metadata name="Application">shimwright</metadata>'
        f"<resources>{objects}</resources><build>{items}</build></model>"
    )


def _object(number: int, solid: Solid) -> str:
    vertices = "".join(f'<vertex x="{x:.5f}" y="{y:.5f}" z="{z:.5f}"/>' for x, y, z in solid.points_mm)
    triangles = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in solid.triangles)
    return (
        f'<object id="{number}" type="model" name={quoteattr(solid.name)}><mesh><vertices>{vertices}</vertices>'
        f"<triangles>{triangles}</triangles></mesh></object>"
    )
