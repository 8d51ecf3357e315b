"""What a page can ask of a desk: one function for each."""

from __future__ import annotations

import asyncio
import math
from dataclasses import replace
from typing import Any

import numpy as np

from shimwright.case_file import CaseFile
from shimwright.optimize.answer import Fit
from shimwright.optimize.hands import hand_checks
from shimwright.optimize.setup import Setup
from shimwright.optimize.trade_words import said as in_words_of
from shimwright.page import place_told, recorded, said, showing, ticks
from shimwright.page.apart import Bounds, Errand, Stopped
from shimwright.page.desk import AS_FOUND, KEPT, Asking, Desk
from shimwright.page.fitting import Fitting, best, laid_out, setup_from, sheets
from shimwright.page.frames import framed
from shimwright.page.keep_marks import keep_in_case
from shimwright.page.listeners import Listener
from shimwright.quantity import length_mm
from shimwright.record.words import kept_line
from shimwright.scan.back import Back
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import WrongUse
from shimwright.scan.remark import NEW_FRAME, along_back, on_back, remarked, told_with

SEARCH_BOUNDS = Bounds(600.0)
SHEET_BOUNDS = Bounds(180.0)
LONGEST_NUDGE_MM = 200.0
WORKSHOPS = ("van", "laser", "maker")
Asked = dict[str, Any]


# ---- set-ups


async def try_setup(desk: Desk, _: Listener, asked: Asked) -> None:
    desk.try_setup(setup_from(asked.get("setup") or {}, desk.laid().job))


async def undo(desk: Desk, page: Listener, _: Asked) -> None:
    assert desk.trial is not None
    if not desk.trial.before:
        page.tell({"t": "note", "text": "Nothing to undo."})
        return
    desk.trial = desk.trial.undone()
    desk.changed()


async def settle(desk: Desk, _: Listener, asked: Asked) -> None:
    """Keep arch, insert or a pocket as it is, and let the search do the rest; or set it free."""
    assert desk.trial is not None
    desk.trial = desk.trial.settled(str(asked.get("what")), bool(asked.get("on")), desk.laid().job.pad)
    desk.show_state_to_all()


async def compare(desk: Desk, _: Listener, asked: Asked) -> None:
    """Keep this set-up to compare with, or choose what stands beside."""
    if asked.get("what") == "keep" and desk.now is not None:
        desk.kept, desk.beside = desk.now.contact, KEPT
    else:
        desk.beside = KEPT if asked.get("what") == KEPT and desk.kept is not None else AS_FOUND
    desk.show_beside_to_all()


async def search(desk: Desk, page: Listener, _: Asked) -> None:
    """The exact search, the settled things kept. Stopped, the best so far."""
    if desk.search is not None:
        page.tell({"t": "note", "text": "The search is running already."})
        return
    fitting, errand = desk.laid(), Errand()
    assert desk.trial is not None
    desk.search = errand
    desk.tell_all({"t": "search", "on": True})
    try:
        answer = await desk.apart(best, (desk.told, fitting.back, desk.trial.part()), SEARCH_BOUNDS, errand)
    finally:
        desk.search = None
        desk.tell_all({"t": "search", "on": False})
    if fitting is desk.fitting:
        _take(desk, answer, errand.stop.is_set())


def _take(desk: Desk, answer: Fit, stopped: bool) -> None:
    if stopped and answer.setup is None:
        raise Stopped
    desk.answer = answer
    if answer.setup is None:
        desk.tell_all({"t": "note", "text": answer.sentence})
    else:
        desk.try_setup(answer.setup)
    if stopped:
        desk.tell_all({"t": "note", "text": "Stopped: this is the best so far, not proven to be the best of all."})
    desk.changed()


async def stop(desk: Desk, _: Listener, __: Asked) -> None:
    if desk.search is not None:
        desk.search.stop.set()
        desk.say("stopping")


async def anyway(desk: Desk, _: Listener, __: Asked) -> None:
    """A set-up although the vet or the saddle comes first: told once, said in every heading."""
    fitting, told = desk.laid(), _told(desk)
    told = replace(told, case=replace(told.case, anyway=True))
    desk.adopt(told, replace(fitting, case=told, job=replace(fitting.job, case=told.case)))


# ---- seeing why


async def tap(desk: Desk, page: Listener, asked: Asked) -> None:
    point = point_of(asked.get("point"))
    found = await desk.in_thread(place_told.told_at, desk.laid(), desk.shown(asked.get("side")), point, page.units)
    told = {name: showing.in_trade(part, desk.laid().job.saddle.style) for name, part in found.items()}
    page.tell({"t": "place", **told})


async def light(desk: Desk, page: Listener, asked: Asked) -> None:
    """The place that a finding is about, and where to put the hand; no number: lights off."""
    fitting, number = desk.laid(), asked.get("finding")
    if not isinstance(number, int) or desk.now is None:
        page.send("lit", framed("lit", {"finding": None, "rings": [], "hand": ""}, {"nodes": np.zeros(0)}))
        return
    rows = said.findings_of(fitting, desk.now.contact)
    if not 0 <= number < len(rows):
        raise WrongUse("that finding is no longer there: the set-up was changed meanwhile")
    nodes, rings, hand = place_told.lit(fitting, desk.shown("now"), rows[number])
    hand = in_words_of(hand, fitting.job.saddle.style)
    page.send("lit", framed("lit", {"finding": number, "rings": rings, "hand": hand}, {"nodes": nodes}))


async def tick(desk: Desk, _: Listener, asked: Asked) -> None:
    """What a hand felt, right or wrong; null takes it back."""
    fitting, now, right = desk.laid(), desk.now, asked.get("right")
    if now is None or not (right is None or isinstance(right, bool)):
        raise WrongUse("nothing to tick yet: wait for the figures")
    checks = hand_checks(fitting.back, fitting.job.saddle, now.contact)
    check = next((one for one in checks if ticks.key(one) == asked.get("key")), None)
    if check is None:
        raise WrongUse("that place is not on the list any more: the set-up was changed meanwhile")
    name = showing.tick_name(fitting, now.contact.setup)
    setup, visit = now.contact.setup, desk.record.visit
    async with desk.ticking:
        new = await asyncio.to_thread(ticks.tick, desk.path.parent, name, check, right)
        if visit is not None:
            await asyncio.to_thread(recorded.felt_too, desk.store, visit, setup, new)
    desk.show_state_to_all()


async def record(desk: Desk, page: Listener, _: Asked) -> None:
    """This visit with its sheets into the fitter's record, and from now on what is ticked."""
    async with desk.ticking:
        visit = await asyncio.to_thread(recorded.kept, desk.store, desk.path, _told(desk), desk.laid().back)
    page.tell({"t": "note", "text": f"{kept_line(visit)}."})
    await desk.look_up()


# ---- landmarks and scale


async def mark(desk: Desk, _: Listener, asked: Asked) -> None:
    """A landmark put where somebody pointed."""
    point = point_of(asked.get("point"))
    async with desk.measuring:
        await _move(desk, str(asked.get("place")), point)


async def nudge(desk: Desk, _: Listener, asked: Asked) -> None:
    """The same by the keyboard: so many mm further back."""
    place, by = str(asked.get("place")), asked.get("back_mm")
    async with desk.measuring:
        back = desk.laid().back
        found = back.landmark(place)
        if found is None or not isinstance(by, int | float) or not abs(by) <= LONGEST_NUDGE_MM:
            raise WrongUse(f"{place[:40]}: not a landmark that can be moved")
        await _move(desk, place, along_back(back, place, float(found.position_mm[0]) - float(by)))


async def _move(desk: Desk, place: str, point: FloatArray) -> None:
    told, back = _told(desk), desk.laid().back
    spot = on_back(back, point)
    new = replace(told, told=told_with(told.told, back, place, spot))
    if place in NEW_FRAME:
        desk.say("measuring again")
        await desk.measure(new)
    else:
        desk.adopt(new, await desk.in_thread(_moved, new, back, place, spot))


def _moved(told: CaseFile, back: Back, place: str, spot: FloatArray) -> Fitting:
    return laid_out(told, remarked(back, place, spot), lambda _: None)


async def scale(desk: Desk, _: Listener, asked: Asked) -> None:
    """Two points a told distance apart: the scan's unit follows, and everything is measured again."""
    try:
        told_mm = length_mm(asked.get("distance"))
    except ValueError as error:
        raise WrongUse(f"distance: {error}") from None
    apart_mm = float(np.linalg.norm(point_of(asked.get("a")) - point_of(asked.get("b"))))
    if not 20.0 <= told_mm <= 3000.0 or not apart_mm >= 20.0:
        raise WrongUse(
            f"two points {apart_mm:.0f} mm apart told to be {told_mm:.0f} mm: 20 to 3000 mm can be measured on a "
            "back; take points further apart"
        )
    async with desk.measuring:
        told = _told(desk)
        unit_mm = desk.laid().back.frame.mm_per_unit * told_mm / apart_mm
        desk.say("measuring again")
        await desk.measure(replace(told, told=replace(told.told, unit_mm=unit_mm, scale=None)))


async def keep(desk: Desk, page: Listener, _: Asked) -> None:
    """Marks and scale of this page go into case.toml, its comments kept."""
    page.tell({"t": "note", "text": await asyncio.to_thread(keep_in_case, desk.path, _told(desk).told)})
    await desk.look_up()


# ---- sheets


async def make_sheets(desk: Desk, _: Listener, asked: Asked) -> None:
    """The files of `fit`, for the search's own answer or for a set-up made by hand."""
    fitting, trial = desk.laid(), desk.trial
    assert trial is not None
    chosen: Fit | Setup = desk.answer_for(trial.setup) or trial.setup
    workshop = asked.get("for") if asked.get("for") in WORKSHOPS else WORKSHOPS[0]
    desk.tell_all({"t": "sheets", "busy": True})
    made: dict[str, object] = {}
    try:
        case = (_told(desk), fitting.job, fitting.found)
        await desk.apart(sheets, (case, chosen, str(desk.path.parent), workshop), SHEET_BOUNDS)
        made = {"files": showing.files_of(desk.path.parent), "fresh": True}
    finally:
        desk.tell_all({"t": "sheets", "busy": False, **made})


def _told(desk: Desk) -> CaseFile:
    assert desk.told is not None  # a desk that hears has a case
    return desk.told


def point_of(told: object) -> FloatArray:
    """(3,) back frame from the view's axes (left, up, forward). Raises WrongUse."""
    if not (isinstance(told, list) and len(told) == 3 and all(isinstance(v, int | float) for v in told)):
        raise WrongUse("no place came with that: touch the back once more")
    left, up, forward = (float(v) for v in told)
    if not all(math.isfinite(v) and abs(v) < 1e5 for v in (left, up, forward)):
        raise WrongUse("that place is nowhere near a horse: touch the back once more")
    return np.array([forward, left, up])


ASKING: dict[str, Asking] = {
    "set": try_setup, "undo": undo, "fix": settle, "beside": compare, "best": search, "stop": stop, "anyway": anyway,
    "tap": tap, "light": light, "tick": tick, "record": record, "mark": mark, "nudge": nudge, "scale": scale,
    "keep": keep, "sheets": make_sheets,
}  # fmt: skip
