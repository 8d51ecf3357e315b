"""One open page: words that must all arrive in order, and one place for each kind of picture, where the latest wins."""

from __future__ import annotations

import asyncio
import json
from collections import deque

WAITING = 200  # words that wait for a page that does not take them: then it is let go
LATEST_WINS = ("state", "case", "say", "pages", "scans", "scan")


class Listener:
    """What goes out to one page. units: what that page shows."""

    def __init__(self, units: str = "mm") -> None:
        self.units = units
        self._words: deque[str] = deque()
        self._latest: dict[str, str | bytes] = {}
        self._some = asyncio.Event()
        self.lost = False

    def tell(self, document: dict[str, object]) -> None:
        text = json.dumps(document, separators=(",", ":"), allow_nan=False, ensure_ascii=False)
        kind = str(document["t"])
        if kind in LATEST_WINS:
            self._latest[kind] = text
        elif len(self._words) < WAITING:
            self._words.append(text)
        else:
            self.lost = True
        self._some.set()

    def send(self, kind: str, message: bytes) -> None:
        self._latest[kind] = message
        self._some.set()

    async def next(self) -> str | bytes:
        """The next thing to send: words first, in order."""
        while not self._words and not self._latest:
            self._some.clear()
            await self._some.wait()
        if self._words:
            return self._words.popleft()
        kind = next(iter(self._latest))
        return self._latest.pop(kind)
