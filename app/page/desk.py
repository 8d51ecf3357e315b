"""One case on the desk: the set-up being tried, what was tried before, and what every open page is told of it."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from shimwright.case_file import CaseFile, read_case
from shimwright.last_resort import words_of
from shimwright.optimize.answer import Contact, Fit
from shimwright.optimize.case import PartialSetup
from shimwright.optimize.hands import hand_checks
from shimwright.optimize.setup import Setup
from shimwright.page import pictures, place_told, said, ticks
from shimwright.page.apart import Bounds, Errand, Stopped, Workers
from shimwright.page.fitting import Fitting, best, laid_out, measured, setup_from, sheets
from shimwright.page.frames import framed
from shimwright.page.keep_marks import keep_in_case
from shimwright.page.listeners import Listener
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused, WrongUse
from shimwright.scan.remark import NEW_FRAME, along_back, on_back, remarked, told_with

SCAN_BOUNDS = Bounds(90.0)
SEARCH_BOUNDS = Bounds(600.0)
SHEET_BOUNDS = Bounds(180.0)
REST_S = 0.12  # without a new change, before the figures of `fit` are worked out
UNDO = 100
SHEETS = (
    "client.pdf", "client.html", "fitter.pdf", "tack-card.pdf", "templates-a4.pdf", "templates-letter.pdf",
    "cutlist.csv", "fit.json",
)  # fmt: skip
AS_FOUND, KEPT = "as found", "kept"


@dataclass
class Fixed:
    """What the fitter has settled."""

    arch: bool = False
    insert: bool = False
    pockets: set[str] = field(default_factory=set)


class Desk:
    """All that changes, changed on the event loop only; numbers are worked out in one thread, long work in workers."""

    def __init__(self, path: Path, workers: Workers, thread: ThreadPoolExecutor) -> None:
        self.path, self.name = path, path.absolute().parent.name
        self.pages: set[Listener] = set()
        self.fitting: Fitting | None = None
        self.refused = ""
        self._workers, self._thread = workers, thread
        self._told: CaseFile | None = None
        self._setup: Setup | None = None
        self._now: said.Judgement | None = None
        self._live: Contact | None = None
        self._bare = b""
        self._plans: dict[str | None, dict[str, object]] = {}
        self._before: list[Setup] = []
        self._fixed = Fixed()
        self._kept: Contact | None = None
        self._beside = AS_FOUND
        self._answer: Fit | None = None
        self._search: Errand | None = None
        self._changed = asyncio.Event()
        self._serial = 0
        self._work: set[asyncio.Task[None]] = set()
        self._solver: asyncio.Task[None] | None = None
        self._busy = ""

    # ---- opening

    async def open(self) -> None:
        """Read the case and lay it out. A refusal is told to every page and kept for those that come later."""
        self._say("reading the case")
        try:
            self._told = await asyncio.to_thread(read_case, self.path)
            await self._measure(self._told)
        except Exception as error:
            self.refused = words_of(error)
            self._tell_all({"t": "refused", "text": self.refused, "fatal": True})

    async def _measure(self, told: CaseFile) -> None:
        """Survey in a worker, lay out in the thread; only then does anything change here."""
        back = await self._workers.do(measured, (told,), SCAN_BOUNDS, self._say)
        self._adopt(told, await self._in_thread(laid_out, told, back, _nothing))

    def _adopt(self, told: CaseFile, fitting: Fitting) -> None:
        self._bare = pictures.back_frame(fitting.back)
        first = self.fitting is None
        self._told, self.fitting, self.refused, self._busy = told, fitting, "", ""
        self._answer, self._kept, self._beside = None, None, AS_FOUND
        if self._setup is None:
            self._setup = fitting.found.setup
        self._now, self._live, self._plans = None, None, {}
        self._say("")
        for page in self.pages:
            self._show_case(page)
        if first:
            self._solver = asyncio.create_task(self._solve_latest())
        self._changed.set()

    # ---- pages

    def join(self, page: Listener) -> None:
        self.pages.add(page)
        self._tell_count()
        if self.refused:
            page.tell({"t": "refused", "text": self.refused, "fatal": True})
        elif self.fitting is None:
            page.tell({"t": "say", "text": self._busy or "reading the case"})
        else:
            self._show_case(page)
            self._show_state(page)
            self._send_fields(page)

    def leave(self, page: Listener) -> None:
        self.pages.discard(page)
        self._tell_count()

    def close(self) -> None:
        for task in (*self._work, *([self._solver] if self._solver else [])):
            task.cancel()

    def _tell_count(self) -> None:
        self._tell_all({"t": "pages", "count": len(self.pages)})

    # ---- what a page asks

    def hear(self, page: Listener, asked: dict[str, Any]) -> None:
        """One message. Anything wrong with it is told to that page alone."""
        do = asked.get("do")
        if do == "units":
            page.units = "in" if asked.get("units") == "in" else "mm"
            if self.fitting is not None:
                self._show_case(page)
                self._show_state(page)
            return
        handler = self._handlers().get(str(do))
        if handler is None:
            page.tell({"t": "refused", "text": f"'{str(do)[:30]}' is not something this page can ask: load it again"})
        elif self.fitting is None:
            page.tell({"t": "refused", "text": "the case is not open yet: wait a moment"})
        else:
            self._start(page, handler(page, asked))

    def _handlers(self) -> dict[str, Callable[[Listener, dict[str, Any]], Awaitable[None]]]:
        return {
            "set": self._set, "undo": self._undo, "fix": self._fix, "beside": self._set_beside, "best": self._best,
            "stop": self._stop, "tap": self._tap, "light": self._light, "tick": self._tick, "mark": self._mark,
            "nudge": self._nudge, "scale": self._scale, "keep": self._keep, "sheets": self._sheets,
            "anyway": self._anyway,
        }  # fmt: skip

    def _start(self, page: Listener, work: Awaitable[None]) -> None:
        async def told_if_refused() -> None:
            try:
                await work
            except Stopped:
                self._tell_all({"t": "say", "text": ""})
                page.tell({"t": "note", "text": "Stopped: nothing was found yet, so nothing changed."})
            except asyncio.CancelledError:
                raise
            except Exception as error:
                self._say("")
                page.tell({"t": "refused", "text": words_of(error)})

        task = asyncio.create_task(told_if_refused())
        self._work.add(task)
        task.add_done_callback(self._work.discard)

    # ---- set-ups

    async def _set(self, _: Listener, asked: dict[str, Any]) -> None:
        fitting = self._laid()
        setup = setup_from(asked.get("setup") or {}, fitting.job)
        if setup == self._setup:
            return
        self._remember()
        self._setup = setup
        self._changed.set()

    async def _undo(self, page: Listener, _: dict[str, Any]) -> None:
        if not self._before:
            page.tell({"t": "note", "text": "Nothing to undo."})
            return
        self._setup = self._before.pop()
        self._changed.set()

    def _remember(self) -> None:
        if self._setup is not None:
            self._before = [*self._before, self._setup][-UNDO:]

    async def _fix(self, _: Listener, asked: dict[str, Any]) -> None:
        what, on = str(asked.get("what")), bool(asked.get("on"))
        if what in ("arch", "insert"):
            setattr(self._fixed, what, on)
        elif any(pocket.name == what for pocket in self._laid().job.pad.pockets):
            self._fixed.pockets = self._fixed.pockets | {what} if on else self._fixed.pockets - {what}
        else:
            raise WrongUse(f"{what[:40]!r} is nothing that can be kept: load the page again")
        self._show_state_to_all()

    async def _set_beside(self, _: Listener, asked: dict[str, Any]) -> None:
        what = asked.get("what")
        if what == "keep" and self._now is not None:
            self._kept, self._beside = self._now.contact, KEPT
        else:
            self._beside = KEPT if what == KEPT and self._kept is not None else AS_FOUND
        for one in self.pages:
            self._send_field(one, "beside")
        self._show_state_to_all()

    async def _solve_latest(self) -> None:
        """The newest set-up at once on the coarse grid; its figures of `fit` when nothing new was asked for."""
        while True:
            await self._changed.wait()
            self._changed.clear()
            fitting, setup = self.fitting, self._setup
            if fitting is None or setup is None:
                continue
            try:
                contact = await self._in_thread(fitting.live, setup)
                if fitting is not self.fitting:
                    continue
                self._serial += 1
                self._live = contact
                self._now = said.Judgement(contact, False, self._answer_for(setup))
                self._send_now()
                await self._settle(fitting, setup)
            except asyncio.CancelledError:
                raise
            except Exception as error:
                self._tell_all({"t": "refused", "text": words_of(error)})
                if self._before:
                    self._setup = self._before.pop()
                    self._changed.set()

    async def _settle(self, fitting: Fitting, setup: Setup) -> None:
        try:
            await asyncio.wait_for(self._changed.wait(), REST_S)
        except TimeoutError:
            pass
        else:
            return
        settled = await self._in_thread(fitting.settled, setup)
        if fitting is self.fitting and setup == self._setup and self._now is not None:
            self._now = said.Judgement(settled, True, self._answer_for(setup))
            self._show_state_to_all()

    def _answer_for(self, setup: Setup) -> Fit | None:
        return self._answer if self._answer is not None and self._answer.setup == setup else None

    # ---- the search

    async def _best(self, page: Listener, _: dict[str, Any]) -> None:
        if self._search is not None:
            page.tell({"t": "note", "text": "The search is running already."})
            return
        fitting, told = self._laid(), self._told
        assert told is not None
        assert self._setup is not None
        self._search = Errand()
        self._tell_all({"t": "search", "on": True})
        try:
            args = (told, fitting.back, self._fixed_part(self._setup))
            answer = await self._workers.do(best, args, SEARCH_BOUNDS, self._say, self._search)
        finally:
            stopped = self._search.stop.is_set()
            self._search = None
            self._tell_all({"t": "search", "on": False})
            self._say("")
        if fitting is not self.fitting:
            return
        self._take(answer, stopped)

    def _take(self, answer: Fit, stopped: bool) -> None:
        if stopped and answer.setup is None:
            raise Stopped
        self._answer = answer
        if answer.setup is None:
            self._tell_all({"t": "note", "text": answer.sentence})
        elif answer.setup != self._setup:
            self._remember()
            self._setup = answer.setup
        self._changed.set()
        if stopped:
            self._tell_all({"t": "note", "text": "Stopped: this is the best so far, not proven to be the best of all."})

    def _fixed_part(self, setup: Setup) -> PartialSetup:
        return PartialSetup(
            setup.arch if self._fixed.arch else None,
            setup.insert if self._fixed.insert else None,
            {name: setup.stacks[name] for name in sorted(self._fixed.pockets)},
        )

    async def _stop(self, _: Listener, __: dict[str, Any]) -> None:
        if self._search is not None:
            self._search.stop.set()
            self._say("stopping")

    async def _anyway(self, _: Listener, __: dict[str, Any]) -> None:
        """A set-up although the vet or the saddle comes first: told once, said in every heading."""
        fitting, told = self._laid(), self._told
        assert told is not None
        told = replace(told, case=replace(told.case, anyway=True))
        self._told = told
        self._adopt(told, replace(fitting, case=told, job=replace(fitting.job, case=told.case)))

    # ---- seeing why

    async def _tap(self, page: Listener, asked: dict[str, Any]) -> None:
        fitting, contact = self._laid(), self._shown(asked.get("side"))
        point = _point(asked.get("point"))
        found = await self._in_thread(place_told.told_at, fitting, contact, point, page.units)
        page.tell({"t": "place", **found})

    async def _light(self, page: Listener, asked: dict[str, Any]) -> None:
        fitting, contact, number = self._laid(), self._shown("now"), asked.get("finding")
        if not isinstance(number, int):
            page.send("lit", framed("lit", {"finding": None, "rings": [], "hand": ""}, {"nodes": np.zeros(0)}))
            return
        assert self._now is not None
        rows = said.findings_of(fitting, self._now.contact)
        if not 0 <= number < len(rows):
            raise WrongUse("that finding is no longer there: the set-up was changed meanwhile")
        nodes, rings, hand = place_told.lit(fitting, contact, rows[number])
        page.send(
            "lit", framed("lit", {"finding": number, "rings": rings, "hand": hand}, {"nodes": nodes.astype(float)})
        )

    def _shown(self, side: object) -> Contact:
        """The coarse contact of one side of the view."""
        fitting = self._laid()
        if side == "beside" and self._beside == KEPT and self._kept is not None:
            return fitting.live(self._kept.setup)
        if side == "beside" or self._live is None:
            assert fitting.live_found is not None
            return fitting.live_found
        return self._live

    # ---- hands

    async def _tick(self, _: Listener, asked: dict[str, Any]) -> None:
        now, fitting = self._now, self._laid()
        right = asked.get("right")
        if now is None or not (right is None or isinstance(right, bool)):
            raise WrongUse("nothing to tick yet: wait for the figures")
        checks = hand_checks(fitting.back, fitting.job.saddle, now.contact)
        check = next((one for one in checks if ticks.key(one) == asked.get("key")), None)
        if check is None:
            raise WrongUse("that place is not on the list any more: the set-up was changed meanwhile")
        words = said.setup_words(now.contact.setup, fitting.job.pad, "mm")
        await asyncio.to_thread(ticks.tick, self.path.parent, words, check, right)
        self._show_state_to_all()

    # ---- landmarks and scale

    async def _mark(self, page: Listener, asked: dict[str, Any]) -> None:
        await self._move(page, str(asked.get("place")), _point(asked.get("point")))

    async def _nudge(self, page: Listener, asked: dict[str, Any]) -> None:
        """By the keyboard: so many mm further back."""
        back, place, by = self._laid().back, str(asked.get("place")), asked.get("back_mm")
        mark = back.landmark(place)
        if mark is None or not isinstance(by, int | float) or abs(by) > 200:
            raise WrongUse(f"{place[:40]}: not a landmark that can be moved")
        await self._move(page, place, along_back(back, place, float(mark.position_mm[0]) - float(by)))

    async def _move(self, _: Listener, place: str, point: FloatArray) -> None:
        fitting, told = self._laid(), self._told
        assert told is not None
        back = fitting.back
        spot = on_back(back, point)
        new = replace(told, told=told_with(told.told, back, place, spot))
        if place in NEW_FRAME:
            self._say("measuring again")
            await self._measure(new)
            return
        self._adopt(new, await self._in_thread(_moved, new, back, place, spot))

    async def _scale(self, _: Listener, asked: dict[str, Any]) -> None:
        """Two points a told distance apart: the scan's unit follows, and everything is measured again."""
        from shimwright.quantity import length_mm

        back, told = self._laid().back, self._told
        assert told is not None
        try:
            told_mm = length_mm(asked.get("distance"))
        except ValueError as error:
            raise WrongUse(f"distance: {error}") from None
        apart = float(np.linalg.norm(_point(asked.get("a")) - _point(asked.get("b"))))
        if not 20.0 <= told_mm <= 3000.0 or not apart >= 20.0:
            raise WrongUse(
                f"two points {apart:.0f} mm apart told to be {told_mm:.0f} mm: 20 to 3000 mm can be measured on a "
                "back; take points further apart"
            )
        new = replace(told.told, unit_mm=back.frame.mm_per_unit * told_mm / apart, scale=None)
        self._say("measuring again")
        await self._measure(replace(told, told=new))

    async def _keep(self, page: Listener, _: dict[str, Any]) -> None:
        """Marks and scale of this page go into case.toml, its comments kept."""
        told = self._told
        assert told is not None
        lines = await asyncio.to_thread(keep_in_case, self.path, told.told)
        page.tell({"t": "note", "text": lines})

    # ---- sheets

    async def _sheets(self, _: Listener, asked: dict[str, Any]) -> None:
        fitting, told, setup = self._laid(), self._told, self._setup
        assert told is not None
        assert setup is not None
        workshop = asked.get("for") if asked.get("for") in ("van", "laser", "maker") else "van"
        chosen: Fit | Setup = self._answer_for(setup) or setup
        self._tell_all({"t": "sheets", "busy": True})
        try:
            case = (told, fitting.job, fitting.found)
            folder = str(self.path.parent)
            await self._workers.do(sheets, (case, chosen, folder, workshop), SHEET_BOUNDS, self._say)
        finally:
            self._say("")
            self._tell_all({"t": "sheets", "busy": False})
        self._tell_all({"t": "sheets", "busy": False, "files": files_of(self.path.parent), "fresh": True})

    # ---- telling

    def _say(self, text: str) -> None:
        self._busy = text
        self._tell_all({"t": "say", "text": text})

    def _tell_all(self, document: dict[str, object]) -> None:
        for page in self.pages:
            page.tell(document)

    def _laid(self) -> Fitting:
        if self.fitting is None:
            raise InputRefused("the case is not open yet: wait a moment")
        return self.fitting

    async def _in_thread(self, work: Callable[..., Any], *args: object) -> Any:
        return await asyncio.get_running_loop().run_in_executor(self._thread, work, *args)

    def _send_now(self) -> None:
        for page in self.pages:
            self._send_field(page, "now")
        self._show_state_to_all()

    def _send_fields(self, page: Listener) -> None:
        for which in ("now", "beside"):
            self._send_field(page, which)

    def _send_field(self, page: Listener, which: str) -> None:
        page.send(which, pictures.field_frame(self._laid(), self._shown(which), which, self._serial))

    def _show_case(self, page: Listener) -> None:
        fitting, units = self._laid(), page.units
        job = fitting.job
        page.send("back", self._bare)
        self._send_field(page, "beside")
        case = job.case
        document = {
            "horse": case.horse.name or fitting.back.source.horse or "Horse: name not told",
            "tack": f"{job.saddle.name} · {job.pad.name}",
            "gate": fitting.gate.verdict if not case.anyway else None,
            "why": fitting.gate.why,
            "colours": pictures.colours(),
            "back": said.back_tables(fitting.back, units),
            "landmarks": pictures.landmark_rows(fitting.back),
            "plan": pictures.plan_of_back(fitting.back),
            "arches": said.arch_choices(fitting),
            "inserts": said.insert_choices(fitting, units),
            "stacks": said.stack_choices(fitting, units),
            "pockets": [{"name": p.name, "side": p.side} for p in job.pad.pockets],
            "files": files_of(self.path.parent),
            "units": units,
        }
        page.tell({"t": "case", **document})

    def _plan(self, fitting: Fitting, contact: Contact) -> dict[str, object]:
        """Panels and pockets from above; only the arch changes them."""
        if contact.setup.arch not in self._plans:
            self._plans[contact.setup.arch] = pictures.plan_of_tack(fitting, contact)
        return self._plans[contact.setup.arch]

    def _show_state_to_all(self) -> None:
        for page in self.pages:
            self._show_state(page)

    def _show_state(self, page: Listener) -> None:
        fitting, setup, now = self._laid(), self._setup, self._now
        if setup is None or now is None:
            return
        words = said.setup_words(now.contact.setup, fitting.job.pad, "mm")
        beside = self._kept if self._beside == KEPT and self._kept is not None else fitting.found
        document = {
            "serial": self._serial,
            "setup": _setup_document(setup),
            "words": said.setup_words(setup, fitting.job.pad, page.units),
            "fixed": {"arch": self._fixed.arch, "insert": self._fixed.insert, "pockets": sorted(self._fixed.pockets)},
            "undo": len(self._before),
            "as_found": setup == fitting.found.setup,
            "judged": said.verdict(fitting, now, page.units),
            "beside": {
                "name": self._beside,
                "words": said.setup_words(beside.setup, fitting.job.pad, page.units),
                "rows": said.figures(beside, page.units),
                "kept": self._kept is not None,
            },
            "plan": self._plan(fitting, now.contact),
            "findings": said.finding_rows(fitting, now.contact),
            "hands": said.hand_rows(fitting, now.contact, page.units) if now.settled else None,
            "felt": dict(ticks.felt(ticks.ticks(self.path.parent), words)),
        }
        page.tell({"t": "state", **document})


def files_of(folder: Path) -> list[str]:
    """Sheets that are there, in the order of the page."""
    return [name for name in SHEETS if (folder / name).is_file()]


def _moved(told: CaseFile, back: Any, place: str, spot: FloatArray) -> Fitting:
    return laid_out(told, remarked(back, place, spot), _nothing)


def _nothing(_: str) -> None:
    pass


def _setup_document(setup: Setup) -> dict[str, object]:
    pockets = {name: [[layer.shim, layer.thickness_mm] for layer in stack] for name, stack in setup.stacks.items()}
    return {"arch": setup.arch, "insert": setup.insert, "pockets": pockets}


def _point(told: object) -> FloatArray:
    """(3,) back frame from the view's axes (left, up, forward). Raises WrongUse."""
    if not (isinstance(told, list) and len(told) == 3 and all(isinstance(v, int | float) for v in told)):
        raise WrongUse("no place came with that: touch the back once more")
    left, up, forward = (float(v) for v in told)
    if not all(math.isfinite(v) and abs(v) < 1e5 for v in (left, up, forward)):
        raise WrongUse("that place is nowhere near a horse: touch the back once more")
    return np.array([forward, left, up])
