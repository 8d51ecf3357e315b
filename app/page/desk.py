"""One case on the desk: what was read, the set-up being tried, and the pages that look at it.

All that changes is changed on the event loop. Numbers are worked out in one thread, long work in workers.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from shimwright.case_file import CaseFile, read_case
from shimwright.last_resort import words_of
from shimwright.optimize.answer import Contact, Fit
from shimwright.optimize.setup import Setup
from shimwright.page import pictures, recorded, said, showing
from shimwright.page.apart import Bounds, Errand, Stopped, Workers
from shimwright.page.fitting import Fitting, laid_out, measured
from shimwright.page.listeners import Listener
from shimwright.page.trial import Trial
from shimwright.scan.refusal import InputRefused

SCAN_BOUNDS = Bounds(90.0)
REST_S = 0.12  # without a new change, before the figures of `fit` are worked out
AS_FOUND, KEPT = "as found", "kept"
Asking = Callable[["Desk", Listener, dict[str, Any]], Coroutine[Any, Any, None]]


class Desk:
    """told, fitting, trial: None until the case is open. now: the set-up as judged; live: it on the coarse grid."""

    def __init__(
        self, path: Path, store: Path, workers: Workers, thread: ThreadPoolExecutor, asking: dict[str, Asking]
    ) -> None:
        self.path, self.store = path, store
        self.pages: set[Listener] = set()
        self.told: CaseFile | None = None
        self.fitting: Fitting | None = None
        self.trial: Trial | None = None
        self.now: said.Judgement | None = None
        self.live: Contact | None = None
        self.kept: Contact | None = None
        self.beside = AS_FOUND
        self.answer: Fit | None = None
        self.search: Errand | None = None
        self.measuring = asyncio.Lock()  # landmarks and scale one after another: none is lost
        self.ticking = asyncio.Lock()  # ticks likewise
        self.record = recorded.Recorded(False, None)
        self._workers, self._thread, self._asking = workers, thread, asking
        self._changed = asyncio.Event()
        self._serial = 0
        self._bare = b""
        self._plans: dict[str | None, dict[str, object]] = {}
        self._refused, self._busy = "", ""
        self._work: set[asyncio.Task[None]] = set()

    # ---- opening

    async def open(self) -> None:
        """Read the case and lay it out. A refusal is told to every page; the next page that comes tries again."""
        self._refused = ""
        self.say("reading the case")
        try:
            await self.measure(await asyncio.to_thread(read_case, self.path))
        except Exception as error:
            self._refused = words_of(error)
            self.tell_all({"t": "refused", "text": self._refused, "fatal": True})
        else:
            await self.look_up()

    async def look_up(self) -> None:
        """What the record has of this case. A record that cannot be read is told, and the page works on."""
        try:
            self.record = await asyncio.to_thread(recorded.looked_up, self.store, self.path, self.horse)
        except Exception as error:
            self.tell_all({"t": "note", "text": words_of(error)})
        self.show_state_to_all()

    async def measure(self, told: CaseFile) -> None:
        """Survey in a worker, lay out in the thread; only then does anything change here. The first back is shown at
        once, for there is nothing yet that it could contradict.
        """
        back = await self.apart(measured, (told,), SCAN_BOUNDS)
        if self.fitting is None:
            self._bare = pictures.back_frame(back)
            self.say("laying the saddle on")
            for page in self.pages:
                page.send("back", self._bare)
        self.adopt(told, await self.in_thread(laid_out, told, back, _nothing))

    def adopt(self, told: CaseFile, fitting: Fitting) -> None:
        """Another back, or another case: the set-up that is tried stays."""
        first = self.fitting is None
        self.told, self.fitting = told, fitting
        self.trial = self.trial or Trial(fitting.found.setup)
        self.answer = self.kept = self.now = self.live = None
        self.beside, self._plans = AS_FOUND, {}
        self._bare = pictures.back_frame(fitting.back)
        self.say("")
        for page in self.pages:
            self._show_case(page)
        if first:
            self._begin(self._solve_latest())
        self.changed()

    # ---- pages

    def join(self, page: Listener) -> None:
        self.pages.add(page)
        self.tell_all({"t": "pages", "count": len(self.pages)})
        if self.fitting is not None:
            self._show_case(page)
            self._show_state(page)
            self._send_field(page, "now")
        elif self._refused:
            self._begin(self.open())
        else:
            if self._bare:
                page.send("back", self._bare)
            page.tell({"t": "say", "text": self._busy or "reading the case"})

    def leave(self, page: Listener) -> None:
        self.pages.discard(page)
        self.tell_all({"t": "pages", "count": len(self.pages)})

    def begin(self) -> None:
        """Open the case now."""
        self._begin(self.open())

    def close(self) -> None:
        for task in self._work:
            task.cancel()

    def hear(self, page: Listener, asked: dict[str, Any]) -> None:
        """One message. Anything wrong with it is told to that page alone."""
        do = str(asked.get("do"))
        if do == "units":
            page.units = "in" if asked.get("units") == "in" else "mm"
            if self.fitting is not None:
                self._show_case(page)
                self._show_state(page)
                self._send_field(page, "now")
        elif do not in self._asking:
            page.tell({"t": "refused", "text": f"'{do[:30]}' is not something this page can ask: load it again"})
        elif self.fitting is None:
            page.tell({"t": "refused", "text": "the case is not open yet: wait a moment"})
        else:
            self._begin(self._told_if_refused(page, self._asking[do](self, page, asked)))

    async def _told_if_refused(self, page: Listener, work: Coroutine[Any, Any, None]) -> None:
        try:
            await work
        except Stopped:
            page.tell({"t": "note", "text": "Stopped: nothing was found yet, so nothing changed."})
        except Exception as error:
            page.tell({"t": "refused", "text": words_of(error)})
            self.say("")

    def _begin(self, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.create_task(work)
        self._work.add(task)
        task.add_done_callback(self._work.discard)

    # ---- solving

    def try_setup(self, setup: Setup) -> None:
        assert self.trial is not None
        if setup != self.trial.setup:
            self.trial = self.trial.put(setup)
            self.changed()

    def changed(self) -> None:
        """There is something new to solve."""
        self._changed.set()

    async def _solve_latest(self) -> None:
        """The newest set-up at once on the coarse grid; its figures of `fit` when nothing new was asked for."""
        while True:
            await self._changed.wait()
            self._changed.clear()
            fitting, trial = self.laid(), self.trial
            assert trial is not None
            try:
                contact = await self.in_thread(fitting.live, trial.setup)
                if fitting is self.fitting:
                    self._serial, self.live = self._serial + 1, contact
                    self._judge(contact, settled=False)
                    await self._settle(fitting, trial.setup)
            except Exception as error:  # that arch cannot lie here, or tips over: back to the one before
                self.tell_all({"t": "refused", "text": words_of(error)})
                if self.trial is trial and trial.before:
                    self.trial = trial.undone()
                    self.changed()

    async def _settle(self, fitting: Fitting, setup: Setup) -> None:
        try:
            await asyncio.wait_for(self._changed.wait(), REST_S)
        except TimeoutError:
            settled = await self.in_thread(fitting.settled, setup)
            if fitting is self.fitting and self.trial is not None and setup == self.trial.setup:
                self._judge(settled, settled=True)

    def _judge(self, contact: Contact, *, settled: bool) -> None:
        self.now = said.Judgement(contact, settled, self.answer_for(contact.setup))
        if not settled:
            for page in self.pages:
                self._send_field(page, "now")
        self.show_state_to_all()

    def answer_for(self, setup: Setup) -> Fit | None:
        """The search's own answer where this is its pick."""
        return self.answer if self.answer is not None and self.answer.setup == setup else None

    @property
    def horse(self) -> str:
        """Its name, empty where it was not told."""
        return (self.told.case.horse.name or "").strip() if self.told is not None else ""

    def laid(self) -> Fitting:
        if self.fitting is None:
            raise InputRefused("the case is not open yet: wait a moment")
        return self.fitting

    def shown(self, side: object) -> Contact:
        """The coarse contact of one side of the view."""
        fitting = self.laid()
        if side == "beside" and self.beside == KEPT and self.kept is not None:
            return fitting.live(self.kept.setup)
        if side == "beside" or self.live is None:
            assert fitting.live_found is not None
            return fitting.live_found
        return self.live

    async def in_thread(self, work: Callable[..., Any], *args: object) -> Any:
        return await asyncio.get_running_loop().run_in_executor(self._thread, work, *args)

    async def apart(
        self, work: Callable[..., Any], args: tuple[object, ...], bounds: Bounds, errand: Errand | None = None
    ) -> Any:
        """In a worker; what it says is shown on every page."""
        try:
            return await self._workers.do(work, args, bounds, self.say, errand)
        finally:
            self.say("")

    # ---- telling

    def say(self, text: str) -> None:
        self._busy = text
        self.tell_all({"t": "say", "text": text})

    def tell_all(self, document: dict[str, object]) -> None:
        for page in self.pages:
            page.tell(document)

    def show_beside_to_all(self) -> None:
        for page in self.pages:
            self._send_field(page, "beside")
        self.show_state_to_all()

    def show_state_to_all(self) -> None:
        for page in self.pages:
            self._show_state(page)

    def _show_case(self, page: Listener) -> None:
        page.send("back", self._bare)
        self._send_field(page, "beside")
        page.tell(showing.case_document(self.laid(), page.units, self.path.parent))

    def _show_state(self, page: Listener) -> None:
        fitting, now = self.fitting, self.now
        if fitting is None or self.trial is None or now is None:
            return
        kept = self.kept if self.beside == KEPT and self.kept is not None else None
        beside = (self.beside, kept or fitting.found, self.kept is not None)
        document = showing.state_document(fitting, self.trial, now, beside, page.units)
        document["serial"] = self._serial
        document["plan"] = self._plan(fitting, now.contact)
        document["felt"] = showing.felt_document(fitting, now.contact.setup, self.path.parent)
        document["record"] = recorded.document(self.record, self.horse, now.contact.setup)
        page.tell(document)

    def _plan(self, fitting: Fitting, contact: Contact) -> dict[str, object]:
        """Panels and pockets from above; only the arch changes them."""
        if contact.setup.arch not in self._plans:
            self._plans[contact.setup.arch] = pictures.plan_of_tack(fitting, contact)
        return self._plans[contact.setup.arch]

    def _send_field(self, page: Listener, which: str) -> None:
        page.send(which, pictures.field_frame(self.laid(), self.shown(which), which, self._serial))


def _nothing(_: str) -> None:
    pass
