"""`new`: a folder with commented files to fill in, dots and a grid sheet to print."""

import os
import re
from importlib.resources import files
from pathlib import Path

from shimwright.case_file import NONE, shared_tools, stock_named
from shimwright.export.marks_sheet import write_marks
from shimwright.export.results import whole_results
from shimwright.export.trace_paper import write_trace_paper
from shimwright.scan.refusal import CannotWrite, WrongUse
from shimwright.toml_file import quoted

PRINTED = ("marks.pdf", "tracing.pdf")


def new(folder: Path, like: Path | None) -> list[str]:
    """Write the files into `folder`; lines that say what to do next. Refuses to overwrite."""
    texts = starters(folder, like)
    there = [name for name in (*texts, *PRINTED) if (folder / name).exists()]
    if there:
        raise CannotWrite(
            f"{folder}: {', '.join(there)} already there, and would be lost; choose another folder or move them away"
        )
    if folder.exists() and not folder.is_dir():
        raise CannotWrite(f"{folder}: a file of that name is there; choose another folder")
    with whole_results(folder) as results:
        for name, text in texts.items():
            (results / name).write_text(text, encoding="utf-8")
        write_marks(results)
        write_trace_paper(results)
    set_out = [name for name in texts if name != "traced.toml"]
    return [
        f"{folder}: {', '.join(set_out)} to fill in, marks.pdf to print; without a scanner traced.toml and tracing.pdf",
        f"Put the scan beside them, then: shimwright fit {folder / 'case.toml'}",
    ]


def starters(folder: Path, like: Path | None) -> dict[str, str]:
    """Name → text of the files to write. With `like`, saddle and pad are that case's own files, referred to."""
    source = files("shimwright") / "starter"
    case, traced = ((source / name).read_text(encoding="utf-8") for name in ("case.toml", "traced.toml"))
    if like is None:
        own = {name: (source / name).read_text(encoding="utf-8") for name in ("saddle.toml", "pad.toml")}
        return {"case.toml": case} | own | {"traced.toml": traced}
    if not like.is_file():
        raise WrongUse(f"--like {like}: no such case file; name the case.toml of another horse")
    saddle, pad = shared_tools(like)
    stock = stock_named(like)
    for file in (saddle, pad, stock):
        if file is not None and not file.is_file():
            raise WrongUse(f"--like {like}: it refers to {file}, and there is no such file; correct that case first")
    case = _pointed(case, "saddle", _reference(saddle, folder))
    if stock is not None:
        case = _pointed(case.replace("# stock = ", "stock = ", 1), "stock", _reference(stock, folder))
    case = _pointed(case, "pad", NONE if pad is None else _reference(pad, folder))
    return {"case.toml": case, "traced.toml": traced}


def _reference(file: Path, folder: Path) -> str:
    try:
        return Path(os.path.relpath(file.resolve(), folder.resolve())).as_posix()
    except ValueError:  # another drive
        return file.resolve().as_posix()


def _pointed(text: str, key: str, value: str) -> str:
    return re.sub(rf'^{key} = "[^"]*"', lambda _: f"{key} = {quoted(value)}", text, count=1, flags=re.MULTILINE)
