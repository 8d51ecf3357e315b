"""The web application: what lies at which address, and who talks to whom."""

from __future__ import annotations

import asyncio
import contextlib
import json
import shutil
from collections.abc import AsyncIterator
from concurrent.futures import ThreadPoolExecutor
from importlib.resources import as_file, files
from pathlib import Path

from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.websockets import WebSocket, WebSocketDisconnect

from shimwright.last_resort import words_of
from shimwright.page.apart import Workers, warm_up
from shimwright.page.asking import ASKING
from shimwright.page.desk import Desk
from shimwright.page.listeners import Listener
from shimwright.page.scans import Scans
from shimwright.page.showing import SHEETS
from shimwright.page.uploads import check_size, safe_name, stored
from shimwright.scan.refusal import InputRefused, WrongUse

MOST_PAGES = 24
DEMO = "invented yard"
LONGEST_MESSAGE = 1 << 16
STATIC = {"three.js": "three"}
FONTS = ("Inter-Regular-page.woff2", "Inter-SemiBold-page.woff2")


class Office:
    """Every case that is open, the scans that came in, and the pages."""

    def __init__(self, cases: tuple[Path, ...], folder: Path, store: Path) -> None:
        self.folder, self.store = folder, store
        self.workers = Workers()
        self.scans = Scans(folder, self.workers)
        self._paths: dict[str, Path] = {}
        self._desks: dict[str, Desk] = {}
        self._thread = ThreadPoolExecutor(1, "solve")
        self.pages = 0
        for path in cases:
            self.name(path)

    def name(self, path: Path) -> str:
        """What the page calls a case."""
        known = {p.absolute(): key for key, p in self._paths.items()}
        if path.absolute() in known:
            return known[path.absolute()]
        key = str(len(self._paths) + 1)
        self._paths[key] = path
        return key

    @property
    def cases(self) -> list[dict[str, str]]:
        return [{"case": key, "name": path.absolute().parent.name} for key, path in self._paths.items()]

    def desk(self, key: str) -> Desk | None:
        if key not in self._paths:
            return None
        if key not in self._desks:
            self._desks[key] = Desk(self._paths[key], self.store, self.workers, self._thread, ASKING)
            self._desks[key].begin()
        return self._desks[key]

    def open_first(self) -> None:
        """The case that was named is read while the browser still starts."""
        self.desk(next(iter(self._paths), ""))

    def file(self, key: str, name: str) -> Path | None:
        """A sheet of a case: one of the fixed names, in its own folder."""
        if key not in self._paths or name not in SHEETS:
            return None
        path = self._paths[key].absolute().parent / name
        return path if path.is_file() else None

    def make_case(self, asked: dict[str, object]) -> str:
        """A case from a checked scan, with the saddle and pad of the first case here; its key."""
        if not self._paths:
            raise WrongUse(
                "no saddle is known here: start with shimwright open CASE, then its saddle and pad serve the next horse"
            )
        scan = self.scans.named(asked.get("number"))
        like = next(iter(self._paths.values()))
        key = self.name(self.scans.make_case(scan, str(asked.get("horse") or "").strip(), like))
        scan.case = key
        self.scans.tell_all()
        return key

    def open_demo(self, horse: object) -> str:
        """A horse of the invented yard, copied below the folder of scans so that it can be written in; its key."""
        if horse not in demo_horses():
            raise WrongUse(f"'{str(horse)[:40]}' is no horse of the invented yard: {', '.join(demo_horses())}")
        yard = self.folder / DEMO
        if not yard.exists():
            with as_file(files("shimwright.meshes")) as shipped:
                shutil.copytree(shipped, yard, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
        return self.name(yard / "horses" / str(horse) / "case.toml")

    def close(self) -> None:
        self.workers.close()
        self.scans.close()
        for desk in self._desks.values():
            desk.close()
        self._thread.shutdown(wait=False, cancel_futures=True)


def demo_horses() -> list[str]:
    """Names of the horses in the invented yard."""
    return sorted(entry.name for entry in (files("shimwright.meshes") / "horses").iterdir() if entry.is_dir())


def application(office: Office) -> Starlette:
    """The whole site. Doors go around it."""

    @contextlib.asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        warm_up()
        office.open_first()
        yield
        office.close()

    async def live(socket: WebSocket) -> None:
        await _live(office, socket)

    async def take(request: Request) -> Response:
        return await _take(office, request)

    async def sheet(request: Request) -> Response:
        path = office.file(request.path_params["case"], request.path_params["name"])
        if path is None:
            return JSONResponse({"refused": "no such sheet: make the sheets first"}, 404)
        return FileResponse(path, filename=f"{path.parent.name}-{path.name}")

    return Starlette(
        routes=[
            Route("/", _index),
            Route("/scans", take, methods=["POST"]),
            Route("/case/{case}/{name}", sheet),
            WebSocketRoute("/live", live),
            Route("/shipped/{name}", _shipped),
            # a development install links every file; the folder holds the program's own files only
            Mount("/static", StaticFiles(directory=_static(), follow_symlink=True)),
        ],
        lifespan=lifespan,
    )


def _static() -> str:
    return str(files("shimwright.page") / "static")


def _index(_: Request) -> Response:
    return FileResponse(Path(_static()) / "index.html")


def _shipped(request: Request) -> Response:
    """What the sheets ship already: the font and the drawing library."""
    name, export = request.path_params["name"], files("shimwright.export")
    if name in FONTS:
        return Response((export / "fonts" / name).read_bytes(), media_type="font/woff2")
    if name in STATIC:
        return Response((export / STATIC[name] / name).read_bytes(), media_type="text/javascript")
    return JSONResponse({"refused": "no such file"}, 404)


async def _take(office: Office, request: Request) -> Response:
    """One scan, its bytes as the body, its name in the query."""
    try:
        name = safe_name(request.query_params.get("name", ""))
        office.folder.mkdir(parents=True, exist_ok=True)
        check_size(request.headers.get("content-length"), office.folder)
        path = await stored(request.stream(), name, office.folder)
        scan = office.scans.add(path)
    except ClientDisconnect:
        return JSONResponse({"refused": "the sending was broken off; nothing was kept"}, 400)
    except Exception as error:
        status = 413 if isinstance(error, InputRefused) and "MB" in str(error) else 400
        return JSONResponse({"refused": words_of(error)}, status, headers={"connection": "close"})
    return JSONResponse({"number": scan.number, "name": path.name})


async def _live(office: Office, socket: WebSocket) -> None:
    """One page: what it asks comes in, what it shows goes out, until either end goes."""
    await socket.accept()
    if office.pages >= MOST_PAGES:
        await socket.send_text(json.dumps({"t": "refused", "text": _full(), "fatal": True}))
        await socket.close(1013, "too many pages")
        return
    office.pages += 1
    page = Listener("in" if socket.query_params.get("units") == "in" else "mm")
    desk = office.desk(socket.query_params.get("case", ""))
    page.tell({"t": "hello", "cases": office.cases, "folder": office.folder.name, "yard": demo_horses()})
    office.scans.pages.add(page)
    office.scans.show_to(page)
    if desk is not None:
        desk.join(page)
    try:
        async with asyncio.TaskGroup() as both:
            out = both.create_task(_outward(socket, page))
            await _inward(office, desk, socket, page)
            out.cancel()
    finally:
        office.pages -= 1
        office.scans.pages.discard(page)
        if desk is not None:
            desk.leave(page)


def _full() -> str:
    return f"{MOST_PAGES} pages are open on this server, no more can be: close some and load this one again"


async def _inward(office: Office, desk: Desk | None, socket: WebSocket, page: Listener) -> None:
    while True:
        try:
            text = await socket.receive_text()
        except (WebSocketDisconnect, KeyError):  # gone, or bytes instead of words
            return
        try:
            asked = json.loads(text)
        except ValueError:
            asked = None
        if not isinstance(asked, dict):
            page.tell({"t": "refused", "text": "that was no message of this page: load it again"})
        else:
            _heard(office, desk, page, asked)


def _heard(office: Office, desk: Desk | None, page: Listener, asked: dict[str, object]) -> None:
    do = str(asked.get("do"))
    if do in ("scan-case", "demo"):
        try:
            key = office.make_case(asked) if do == "scan-case" else office.open_demo(asked.get("horse"))
            page.tell({"t": "made", "case": key})
        except Exception as error:
            page.tell({"t": "refused", "text": words_of(error)})
    elif do.startswith("scan-"):
        office.scans.hear(page, asked)
    elif desk is not None:
        desk.hear(page, asked)
    elif do == "units":
        page.units = "in" if asked.get("units") == "in" else "mm"
    else:
        page.tell({"t": "refused", "text": "no case is open on this page: choose one, or send a scan first"})


async def _outward(socket: WebSocket, page: Listener) -> None:
    while not page.lost:
        message = await page.next()
        try:
            if isinstance(message, str):
                await socket.send_text(message)
            else:
                await socket.send_bytes(message)
        except (WebSocketDisconnect, RuntimeError):  # closed meanwhile; the other half notices too
            return
    await socket.close(1013, "too slow")
