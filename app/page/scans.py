"""The scan check at the horse: scans that came through the page, each surveyed in a worker, verdict and place told."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from shimwright.last_resort import words_of
from shimwright.measure import Errand as Whom
from shimwright.measure import measure
from shimwright.page import pictures, said
from shimwright.page.apart import Bounds, Workers
from shimwright.page.listeners import Listener
from shimwright.page.new_case import case_from_scan
from shimwright.progress import Say
from shimwright.scan.back import Back
from shimwright.scan.refusal import WrongUse
from shimwright.scan.told import NOTHING_TOLD, Told
from shimwright.told_options import told_from_options

BOUNDS = Bounds(90.0)
FIELDS = {
    "--unit": "the unit",
    "--up": "what is up",
    "--head": "the head",
    "--mark withers=…": "the dot on the withers",
    "--mark withers": "the dot on the withers",
    "--mark": "the dots",
    "--scale": "the scale",
    "--mirror": "mirror image",
    "--scanner": "what it was scanned with",
}


@dataclass
class CheckedScan:
    """state: waiting | reading | done | refused. text: what is going on, the refusal, or why the verdict."""

    number: int
    path: Path
    told: Told = NOTHING_TOLD
    options: dict[str, str] = field(default_factory=dict)
    state: str = "waiting"
    text: str = ""
    back: Back | None = None
    case: str | None = None


def on_the_page(text: str) -> str:
    """A refusal of `measure` with the fields of the page in place of the options of the command.

    >>> on_the_page("no unit fits: say --unit, or correct --head; nothing else")
    'no unit fits: tell the unit, or correct the head; nothing else'
    """
    for option, here in FIELDS.items():
        text = text.replace(f"say {option}", f"tell {here}").replace(option, here)
    return text


def checked(path: Path, told: Told, say: Say) -> Back:
    """The scan check of one file, for a worker."""
    return measure(path, told, say, Whom())


class Scans:
    """Several horses in a row. New scans are told as the last one was: they come from the same phone."""

    def __init__(self, folder: Path, workers: Workers) -> None:
        self.folder = folder
        self.pages: set[Listener] = set()
        self.scans: dict[int, CheckedScan] = {}
        self._workers = workers
        self._work: set[asyncio.Task[None]] = set()
        self._last: dict[str, str] = {}

    def add(self, path: Path) -> CheckedScan:
        scan = CheckedScan(len(self.scans) + 1, path, options=dict(self._last))
        scan.told = _told(scan.options)
        self.scans[scan.number] = scan
        self._begin(scan)
        return scan

    def hear(self, page: Listener, asked: dict[str, Any]) -> None:
        """scan-told: the answers to what the check asked; scan-show: its back into the view."""
        try:
            scan = self.named(asked.get("number"))
            if asked["do"] == "scan-told":
                self._tell_again(scan, asked)
            elif asked["do"] == "scan-show":
                _show(page, scan)
            else:
                raise WrongUse(f"'{str(asked['do'])[:30]}' is not something this page can ask: load it again")
        except Exception as error:
            page.tell({"t": "refused", "text": words_of(error)})

    def show_to(self, page: Listener) -> None:
        page.tell({"t": "scans", "scans": [self._row(scan) for scan in self.scans.values()]})

    def close(self) -> None:
        for task in self._work:
            task.cancel()

    def named(self, number: object) -> CheckedScan:
        if not isinstance(number, int) or number not in self.scans:
            raise WrongUse("that scan is not on the list: load the page again")
        return self.scans[number]

    def _tell_again(self, scan: CheckedScan, asked: dict[str, Any]) -> None:
        fields = asked.get("told")
        options = {str(k): str(v).strip()[:80] for k, v in fields.items()} if isinstance(fields, dict) else {}
        scan.told, scan.options = _told(options), options
        self._last = {name: value for name, value in options.items() if not name.startswith("mark")}
        self._begin(scan)

    def _begin(self, scan: CheckedScan) -> None:
        scan.state, scan.text, scan.back = "waiting", "", None
        self.tell_all()
        task = asyncio.create_task(self._check(scan))
        self._work.add(task)
        task.add_done_callback(self._work.discard)

    async def _check(self, scan: CheckedScan) -> None:
        def say(text: str) -> None:
            scan.state, scan.text = "reading", text
            self.tell_all()

        try:
            scan.back = await self._workers.do(checked, (scan.path, scan.told), BOUNDS, say)
            scan.state, scan.text = "done", ""
        except asyncio.CancelledError:
            raise
        except Exception as error:
            scan.state, scan.text = "refused", on_the_page(words_of(error))
        self.tell_all()

    def make_case(self, scan: CheckedScan, horse: str, like: Path) -> Path:
        """case.toml beside the scan, with the saddle and pad of another case."""
        if scan.back is None:
            raise WrongUse("this scan is not measured yet: wait, or answer what it asks")
        return case_from_scan(scan.path, horse, scan.told, like)

    def tell_all(self) -> None:
        for page in self.pages:
            self.show_to(page)

    def _row(self, scan: CheckedScan) -> dict[str, object]:
        row = {
            "number": scan.number, "name": scan.path.parent.name, "state": scan.state, "text": scan.text,
            "told": scan.options, "case": scan.case,
        }  # fmt: skip
        if scan.back is not None:
            quality = scan.back.quality
            row |= {"verdict": quality.verdict, "lines": [message.text for message in quality.messages]}
        return row


def _show(page: Listener, scan: CheckedScan) -> None:
    """That scan's back, its tables, and rings where its messages point."""
    if scan.back is None:
        raise WrongUse("this scan is not measured yet: wait, or answer what it asks")
    page.send("back", pictures.back_frame(scan.back))
    tables = said.back_tables(scan.back, page.units)
    rings = pictures.rings(scan.back)
    page.tell({
        "t": "scan", "number": scan.number, "name": scan.path.parent.name, "back": tables, "rings": rings,
        "landmarks": pictures.landmark_rows(scan.back),
    })  # fmt: skip


def _told(options: dict[str, str]) -> Told:
    """unit, up, head, scale, mirror, scanner, mark-PLACE as `measure` takes them. Raises WrongUse."""
    marks = tuple(f"{name[5:]}={what}" for name, what in options.items() if name.startswith("mark-") and what)
    unit, up, head, scale, scanner = (options.get(name) or None for name in ("unit", "up", "head", "scale", "scanner"))
    return told_from_options(unit, up, head, marks, scale, options.get("mirror") == "yes", scanner)
