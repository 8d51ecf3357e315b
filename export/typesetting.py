"""From words and pictures to a PDF with stable bytes: own font only, the date of the case, the compiler of the wheel."""

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

HERE = Path(__file__).parent
PAPERS = {"mm": "a4", "in": "us-letter"}


def set_pdf(template: str, data: Mapping[str, object], iso_date: str | None) -> bytes:
    """Set `template` (a .typ file of this folder) with data, JSON-able. iso_date: of the case; None leaves dates out."""
    import typst

    parts = [int(part) for part in iso_date.split("-")] if iso_date else None
    whole = {**data, "date": parts}
    stamp = datetime(*parts, tzinfo=UTC) if parts else datetime(2000, 1, 1, tzinfo=UTC)  # type: ignore[misc]
    pdf = typst.compile(
        str(HERE / template),
        root=str(HERE),
        font_paths=[str(HERE / "fonts")],
        ignore_system_fonts=True,
        format="pdf",
        sys_inputs={"data": json.dumps(whole, sort_keys=True)},
        timestamp=stamp,
    )
    assert isinstance(pdf, bytes)
    return pdf
