"""A page server in a process of its own, and a page without a browser: what the tests of the page share."""

import json
import os
import re
import shutil
import signal
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
from websockets.sync.client import ClientConnection, connect

YARD = Path(str(files("shimwright.meshes")))
START_S, ANSWER_S = 60.0, 180.0


def yard(folder: Path) -> Path:
    """A copy of the invented yard; the folder of its horses."""
    for name in ("horses", "saddles", "pads"):
        shutil.copytree(YARD / name, folder / name)
    for file in YARD.glob("*.toml"):
        shutil.copy(file, folder)
    return folder / "horses"


@dataclass(frozen=True)
class Served:
    """A running server. said: what it printed first."""

    host: str
    said: str
    process: subprocess.Popen[str]

    @property
    def url(self) -> str:
        return f"http://{self.host}"

    def alive(self) -> bool:
        return self.process.poll() is None


@contextmanager
def served(*arguments: object) -> Iterator[Served]:
    """`shimwright open … --no-browser --port 0`, ended as Ctrl-C does."""
    command = [sys.executable, "-m", "shimwright", "open", *map(str, arguments), "--no-browser", "--port", "0"]
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment)
    try:
        said, end = "", time.monotonic() + START_S
        while (
            not re.search(r"Ctrl-C ends it|For one device", said) and time.monotonic() < end and process.poll() is None
        ):
            said += process.stdout.readline()  # type: ignore[union-attr]
        found = re.search(r"(\d+\.\d+\.\d+\.\d+:\d+)", said)
        assert found, said
        yield Served(found[1], said, process)
    finally:
        process.send_signal(signal.SIGINT)
        try:
            process.wait(15)
        except subprocess.TimeoutExpired:
            process.kill()
            raise


class Page:
    """One page's line to the server. The newest message of each kind is kept."""

    def __init__(self, socket: ClientConnection) -> None:
        self._socket = socket
        self.last: dict[str, dict[str, Any]] = {}

    def ask(self, **asked: object) -> None:
        self._socket.send(json.dumps(asked))

    def next(self, seconds: float = ANSWER_S) -> dict[str, Any]:
        raw = self._socket.recv(timeout=seconds)
        message = unpacked(raw) if isinstance(raw, bytes) else json.loads(raw)
        self.last[message["t"] if message["t"] != "field" else message["which"]] = message
        return message

    def until(self, wanted: Any, seconds: float = ANSWER_S) -> dict[str, Any]:
        """The next message for which wanted(message) is true; a refusal not waited for fails."""
        end = time.monotonic() + seconds
        while True:
            message = self.next(max(end - time.monotonic(), 0.01))
            if wanted(message):
                return message
            assert message["t"] != "refused", message["text"]

    def settled(self) -> dict[str, Any]:
        return self.until(lambda m: m["t"] == "state" and m["judged"]["settled"])


def unpacked(raw: bytes) -> dict[str, Any]:
    """A binary message, by its own description."""
    (length,) = struct.unpack("<I", raw[:4])
    message = json.loads(raw[4 : 4 + length])
    at = 4 + length
    for name, kind, count in message["arrays"]:
        message[name] = np.frombuffer(raw, "<" + kind, count, at)
        at += 4 * count
    assert at == len(raw)
    return message


@contextmanager
def page(server: Served, case: str = "1", **headers: str) -> Iterator[Page]:
    origin = headers.pop("origin", server.url)
    more = {name.replace("_", "-"): value for name, value in headers.items()}
    with connect(
        f"ws://{server.host}/live?case={case}",
        origin=origin,
        additional_headers=more,
        max_size=None,
        open_timeout=20,
        close_timeout=0.2,
    ) as socket:  # type: ignore[arg-type]
        yield Page(socket)
