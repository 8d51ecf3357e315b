"""`open`: the page on this computer; with --lan for devices nearby, each by a link that works once."""

from __future__ import annotations

import asyncio
import contextlib
import io
import socket
import sys
import webbrowser
from dataclasses import dataclass
from pathlib import Path

import segno
import uvicorn

from shimwright.page.doors import ENTER, Doors, Tokens
from shimwright.page.site import LONGEST_MESSAGE, Office, application
from shimwright.scan.refusal import CannotWrite, WrongUse

HOME = "127.0.0.1"
PORT = 8642
SCANS = "shimwright-scans"
BACKLOG = 256
NOWHERE = ("192.0.2.1", 9)  # an address kept for documentation (RFC 5737): asked for a route, never sent to


@dataclass(frozen=True)
class Asked:
    """port: 0 takes any free one. lan: open to devices nearby. store: folder of the record."""

    cases: tuple[Path, ...]
    folder: Path | None
    port: int | None
    lan: bool
    browser: bool
    store: Path


def open_page(asked: Asked) -> int:
    """Serve until Ctrl-C. Raises WrongUse, CannotWrite."""
    missing = [str(path) for path in asked.cases if not path.is_file()]
    if missing:
        raise WrongUse(f"{missing[0]}: no such case file; name a case.toml, or none and drop a scan on the page")
    folder = asked.folder or (asked.cases[0].parent if asked.cases else Path()) / SCANS
    here = [HOME, *([_lan_address()] if asked.lan else [])]
    sockets = _sockets(here, asked.port)
    port = sockets[0].getsockname()[1]
    hosts = frozenset(f"{name}:{port}" for name in (*here, "localhost"))
    tokens = Tokens(lambda key: _tell_link(here[-1], port, key)) if asked.lan else None
    site = Doors(application(Office(asked.cases, folder, asked.store)), hosts, tokens)
    address = f"http://{HOME}:{port}/{'?case=1' if asked.cases else ''}"
    if tokens is None:
        print(f"The page is open at {address}", f"Scans sent through it go to {folder}. Ctrl-C ends it.", sep="\n")
    else:
        _tell_exposed(here[-1], port, folder)
        _tell_link(here[-1], port, tokens.current)
    sys.stdout.flush()
    if asked.browser and tokens is None:
        webbrowser.open(address)
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_serve(site, sockets))
    print("\nclosed; whatever was made stays in its folders")
    return 0


async def _serve(site: Doors, sockets: list[socket.socket]) -> None:
    config = uvicorn.Config(
        site,
        log_level="critical",
        access_log=False,
        server_header=False,
        ws="websockets-sansio",
        ws_max_size=LONGEST_MESSAGE,
        timeout_graceful_shutdown=2,
        timeout_keep_alive=20,
        lifespan="on",
    )
    await uvicorn.Server(config).serve(sockets=sockets)


def _sockets(addresses: list[str], port: int | None) -> list[socket.socket]:
    """One listening socket per address, all on one port; without a told port the next free one after 8642."""
    tries = [port] if port is not None else [*range(PORT, PORT + 20), 0]
    for number in tries:
        made: list[socket.socket] = []
        try:
            for address in addresses:
                made.append(_listening(address, number if number or not made else made[0].getsockname()[1]))
        except OSError as error:
            for one in made:
                one.close()
            last = error
        else:
            return made
    raise CannotWrite(f"port {tries[0]} cannot be used ({last.strerror}): choose another with --port, or leave it out")


def _listening(address: str, port: int) -> socket.socket:
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((address, port))
        made.listen(BACKLOG)
    except OSError:
        made.close()
        raise
    return made


def _lan_address() -> str:
    """This computer's address in the network at hand. Raises WrongUse without one."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(NOWHERE)
            return str(probe.getsockname()[0])
        except OSError:
            raise WrongUse(
                "--lan: this computer is in no network, so no phone reaches it: join one, a phone's own hotspot will do"
            ) from None


def _tell_exposed(address: str, port: int, folder: Path) -> None:
    print(
        f"Open to devices in this network at {address}:{port}, until Ctrl-C.",
        "Who holds the link can see and change the open cases, make their sheets, keep them in the record with what",
        f"the hand felt, and send scans into {folder};",
        "nothing else on this computer. It goes unencrypted: use a network you trust, the phone's own hotspot is one.",
        sep="\n",
    )


def _tell_link(address: str, port: int, key: str) -> None:
    """The link of the next device, as words and to be photographed."""
    link = f"http://{address}:{port}{ENTER}?key={key}"
    picture = io.StringIO()
    segno.make(link, error="l").terminal(picture, border=2, compact=True)
    print(f"\n{picture.getvalue()}\nFor one device, once: {link}", flush=True)
