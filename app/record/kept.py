"""A fit or a measured case into the record: the one way in, for `log add` and `fit --log`."""

from pathlib import Path
from typing import Any

from shimwright.record.store import opened, told
from shimwright.record.taken import Document, visit_of_case
from shimwright.record.visits import Visit, keep_visit


def keep(folder: Path, case: Path, back: Document, fit: Document | None, names: tuple[str, str | None]) -> Visit:
    """Files first, then the visit in one transaction: a visit that is seen has all its files."""
    with opened(folder) as connection, told(folder):
        visit = visit_of_case(folder, case, back, fit, names)
        keep_visit(connection, folder, visit)
    return visit


def back_of(folder: Path, visit: Visit) -> dict[str, Any]:
    """back.json of a visit. Raises WrongUse where none was kept."""
    import json

    from shimwright.record.kept_files import kept_bytes
    from shimwright.scan.refusal import WrongUse

    one = visit.file("back")
    if one is None:
        raise WrongUse(f"{visit.horse}, {visit.day}: no measured back was kept; log its case again")
    return json.loads(kept_bytes(folder, one.sha256))  # type: ignore[no-any-return]
