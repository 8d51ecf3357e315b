"""Work for the tests of many at once: what a file says decides what happens to whoever reads it."""

import os
import signal
import time
from pathlib import Path

import numba

from shimwright.scan.refusal import InputRefused


def read_it(piece):
    """The file's length; or a refusal, a defect, a crash, a hang, as its first word asks. Each begin is logged."""
    text = piece.path.read_text()
    word = text.split()[0]
    log = Path(piece.told)
    with log.open("a") as stream:
        stream.write(piece.name + "\n")
    if word == "refuse":
        raise InputRefused(f"{piece.path.name}: 3 points: too few; scan again")
    if word == "defect":
        raise ZeroDivisionError("by mistake")
    if word == "crash":
        os.kill(os.getpid(), signal.SIGSEGV)
    if word == "vanish":
        os._exit(3)
    while word == "hang":
        pass
    if word == "slow":
        time.sleep(0.05)
    return {"length": len(text), "threads": numba.get_num_threads()}
