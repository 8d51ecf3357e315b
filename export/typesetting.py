"""From words and pictures to a PDF with stable bytes: own font only, the case's date, the compiler of the wheel."""

import json
from collections.abc import Mapping
from datetime import UTC, date, datetime, time
from pathlib import Path

HERE = Path(__file__).resolve().parent  # the real folder: typst follows links, and refuses what lies outside its root
PAPERS = {"mm": "a4", "in": "us-letter"}


def set_pdf(template: str, data: Mapping[str, object], iso_date: str | None) -> bytes:
    """Set `template` (a .typ file of this folder) with JSON-able data. iso_date: the case's; None leaves dates out."""
    import typst

    day = date.fromisoformat(iso_date) if iso_date else None
    whole = {**data, "date": [day.year, day.month, day.day] if day else None}
    stamp = datetime.combine(day or date(2000, 1, 1), time(), tzinfo=UTC)
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
