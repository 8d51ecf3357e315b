"""Whatever was not foreseen becomes one line and an exit code, never a traceback (unless one is asked for)."""

import _thread
import errno
import io
import os
import signal
import sys
import threading
import traceback
from contextlib import suppress
from pathlib import Path

from shimwright.export.results import STOPS
from shimwright.scan.refusal import CannotWrite, Refusal

TRACE = "SHIMWRIGHT_TRACE"  # set to 1: the whole trace as well
DEFECT_EXIT = 70  # EX_SOFTWARE of sysexits.h; 1 already means something here
SIGNALLED_EXIT = 128  # and the number of the signal, as shells say it
STOPPED_BY: list[int] = []  # signals heard
WRITE_ERRORS = {errno.ENOSPC, errno.EROFS, errno.EDQUOT, errno.EFBIG, errno.EIO}


def write_anything() -> None:
    """A letter that this terminal cannot show becomes a question mark; a stream that was closed swallows all."""
    sys.stdout = sys.stdout or Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115
    sys.stderr = sys.stderr or Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def let_go_of_full_streams() -> None:
    """What could not be said is not tried again on leaving: the interpreter would make its own exit code of it."""
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except OSError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def tidy_up_when_stopped() -> None:
    """A closed terminal or a shutdown stops us as Ctrl-C does, so that what was begun is tidied away."""

    def stop(number: int, _: object) -> None:
        STOPPED_BY.append(number)
        raise KeyboardInterrupt(number)

    for one in STOPS:
        if signal.getsignal(one) in (signal.SIG_DFL, signal.default_int_handler):  # else: told to go on
            signal.signal(one, stop)
    sys.unraisablehook = _heard_again


def _heard_again(lost: "sys.UnraisableHookArgs") -> None:
    """A wish to stop that came while a library called back is lost to it: it is told again a moment later."""
    if not isinstance(lost.exc_value, KeyboardInterrupt):
        sys.__unraisablehook__(lost)
        return
    again = threading.Timer(0.05, _thread.interrupt_main, STOPPED_BY[:1])
    again.daemon = True
    again.start()


def _hear_no_more() -> None:
    """It is stopping already: a second wish, or one told again, must not break the last words."""
    for one in STOPS if STOPPED_BY else ():
        signal.signal(one, signal.SIG_IGN)


def told(lines: tuple[str, ...]) -> None:
    """Lines on stderr, the first as the refusal."""
    with suppress(OSError):  # nowhere left to say it: the exit code still does
        print("shimwright: " + lines[0], *lines[1:], sep="\n  ", file=sys.stderr, flush=True)


def exit_code_of(error: BaseException) -> int:
    """Tell the error in one line on stderr; its exit code."""
    if os.environ.get(TRACE):
        traceback.print_exception(error)
    if isinstance(error, Refusal):
        told((_one_line(error.message), *map(_one_line, error.details)))
        return error.exit_code
    line, code = _unforeseen(error)
    told((_one_line(line),))
    return code


def words_of(error: BaseException) -> str:
    """One line for whatever was raised."""
    return _one_line(error.message) if isinstance(error, Refusal) else _one_line(_unforeseen(error)[0])


def _unforeseen(error: BaseException) -> tuple[str, int]:
    if STOPPED_BY or isinstance(error, KeyboardInterrupt):  # a library may have made another error of it
        number = STOPPED_BY[0] if STOPPED_BY else signal.SIGINT
        _hear_no_more()
        return "stopped; nothing half-written was left", SIGNALLED_EXIT + number
    match error:
        case MemoryError():
            return (
                "the memory of this computer is not enough for that scan; export it with fewer points (1 million do)",
                3,
            )
        case OSError() if error.errno in WRITE_ERRORS or isinstance(error, PermissionError):
            where = error.filename or "what there is to say on stdout"
            return (
                f"{where}: cannot be written ({error.strerror}); choose another place or make room",
                CannotWrite.exit_code,
            )
        case OSError() if error.filename:
            return f"{error.filename}: cannot be read ({error.strerror}); check the name and the rights", 2
    return _defect(error), DEFECT_EXIT


def _short(word: str) -> str:
    return word if len(word) <= 250 else f"{word[:100]}…{word[-100:]}"


def _defect(error: BaseException) -> str:
    frames = traceback.extract_tb(error.__traceback__)
    own = [frame for frame in frames if "site-packages" not in frame.filename] or frames
    where = f" at {Path(own[-1].filename).name}:{own[-1].lineno}" if own else ""
    said = _one_line(str(error))[:160]
    return (
        f"a defect in shimwright itself, not your input: {type(error).__name__}{where}: {said}; nothing half-written "
        f"was left. {TRACE}=1 before the command shows the trace to report"
    )


def _one_line(text: str) -> str:
    """One line, without what could steer a terminal or cannot be printed: names of files may hold anything."""
    words = (_short(word) for word in text.split())
    return "".join(letter if letter.isprintable() else "?" for letter in " ".join(words))
