"""A TOML file into a strict model: every wrong key is told, with its line and the key that was probably meant."""

import difflib
import re
import tomllib
import typing
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from shimwright.scan.refusal import WrongUse
from shimwright.text_file import text_of

WISHES = {  # in place of the words of the library
    "bool_type": "say true or false",
    "string_type": 'write it in quotes, "…"',
    "int_type": "say a whole number",
    "float_type": "say a number",
    "list_type": "write a list, [ … ]",
    "dict_type": "write a table, { … } or [ … ] above its keys",
    "model_type": "write a table, { … } or [ … ] above its keys",
}
Place = tuple[str | int, ...]
SIZE_LIMIT_BYTES = 1_000_000
MOST_TOLD = 5  # wrong keys told one by one; more are counted


class Table(BaseModel):
    """A TOML table: no key that is not listed, no silent conversion."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


Name = Annotated[str, Field(min_length=1, max_length=60)]  # as much as a label of a sheet or a piece can show
Words = Annotated[str, Field(max_length=120)]

Model = TypeVar("Model", bound=Table)


def read_toml(path: Path, model: type[Model]) -> Model:
    """The file's content as `model`. Raises WrongUse with one line per wrong key."""
    text = text_of(path, "a TOML file", SIZE_LIMIT_BYTES, "check the name, or begin with `shimwright new DIR`")
    text = text.replace("\r\n", "\n")
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise WrongUse(f"{path}: not readable as TOML: {error}; mend that line") from None
    except RecursionError:
        raise WrongUse(f"{path}: not readable as TOML: nested too deep; write a flat file") from None
    except ValueError as error:  # a number of more digits than Python reads
        raise WrongUse(f"{path}: not readable as TOML: {str(error).split(';')[0]}; mend that number") from None
    try:
        return model.model_validate(content)
    except ValidationError as error:
        raise _refusal(path, text, model, error) from None


def quoted(words: str) -> str:
    """A string as TOML writes it. Raises WrongUse for letters that no text can hold.

    >>> print(quoted('say "a" \\n'))
    "say \\"a\\" \\u000a"
    """
    try:
        words.encode()
    except UnicodeEncodeError:
        raise WrongUse(f"{words}: a name that is no Unicode text cannot stand in a file; rename it") from None
    plain = words.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(f"\\u{ord(one):04x}" if ord(one) < 32 or ord(one) == 127 else one for one in plain) + '"'


def wrong(path: Path, lines: Sequence[str], count: int | None = None) -> WrongUse:
    """One refusal for one or many wrong places of a file. count: how many there are, where not all are in lines."""
    count = count or len(lines)
    if count == 1:
        return WrongUse(f"{path}: {lines[0]}")
    shown = "" if count <= MOST_TOLD else ", the first five below"
    return WrongUse(f"{path}: {count} keys or values are wrong{shown}; nothing was read, mend them", tuple(lines))


def _refusal(path: Path, text: str, model: type[Table], error: ValidationError) -> WrongUse:
    found = error.errors(include_url=False, include_input=True)
    unknown = [entry for entry in found if entry["type"] == "extra_forbidden"]
    meant = {(entry["loc"][:-1], near) for entry in unknown[:100] if (near := _near(model, entry["loc"]))}
    told = [
        entry for entry in found if not (entry["type"] == "missing" and (entry["loc"][:-1], entry["loc"][-1]) in meant)
    ]
    if len(told) > 4 * MOST_TOLD:  # rubbish: counted, not searched for one by one
        return wrong(path, [_line(model, text, entry) for entry in told[:MOST_TOLD]], len(told))
    return wrong(path, list(dict.fromkeys(_line(model, text, entry) for entry in told)))


def _line(model: type[Table], text: str, entry: Any) -> str:
    place: Place = entry["loc"]
    line = _line_number(text, place)
    at = f"line {line}: " if line else ""
    if entry["type"] == "extra_forbidden":
        near = _near(model, place)
        known = ", ".join(_keys(model, place[:-1]))
        return f'{at}"{_named(place)}" is not a key here; ' + (f'did you mean "{near}"?' if near else f"known: {known}")
    if entry["type"] == "missing":
        inside = f" in {_named(place[:-1])}" if len(place) > 1 else ""
        return f'"{place[-1]}" is missing{inside}; add it'
    words = str(entry["ctx"]["error"]) if entry["type"] == "value_error" else _plain(entry)
    return f"{at}{_named(place)}: {words}"


def _plain(entry: Any) -> str:
    told = entry["input"]
    shown = f'"{told}"' if isinstance(told, str) else str(told).lower() if isinstance(told, bool) else f"{told}"
    shown = shown if len(shown) <= 60 else shown[:57] + "…"
    if entry["type"] == "literal_error":
        choices = re.findall(r"'([^']*)'", entry["ctx"]["expected"])
        near = difflib.get_close_matches(str(told), choices, 1)
        return f"{shown} is not known; " + (f'did you mean "{near[0]}"?' if near else "use " + " | ".join(choices))
    return f"{shown} is not right here: {_wish(entry)}"


def _wish(entry: Any) -> str:
    """What is wanted, in plain words in place of the library's."""
    limits = entry.get("ctx", {})
    match entry["type"]:
        case "too_short":
            return f"it has {limits['actual_length']} where at least {limits['min_length']} are needed"
        case "too_long":
            return f"it has {limits['actual_length'] or 'more'} where at most {limits['max_length']} are taken"
        case "string_too_short":
            return "a name is needed"
        case "string_too_long":
            return f"at most {limits['max_length']} letters can be shown"
    return WISHES.get(entry["type"]) or entry["msg"][0].lower() + entry["msg"][1:]


def _named(place: Place) -> str:
    words = ""
    for part in place:
        words += f" {part + 1}" if isinstance(part, int) else f".{part}" if words else str(part)
    return words


def _near(model: type[Table], place: Place) -> str | None:
    near = difflib.get_close_matches(str(place[-1]), _keys(model, place[:-1]), 1, 0.6)
    return near[0] if near else None


def _keys(model: type[Table], place: Place) -> list[str]:
    """Keys known to the table at `place`."""
    here: type[Table] | None = model
    for part in place:
        if isinstance(part, str) and here is not None:
            field = next((f for name, f in here.model_fields.items() if part in (name, f.alias)), None)
            here = next(_tables(field.annotation), None) if field else here
    return [field.alias or name for name, field in here.model_fields.items()] if here else []


def _tables(annotation: object) -> Iterator[type[Table]]:
    if isinstance(annotation, type) and issubclass(annotation, Table):
        yield annotation
    for inner in typing.get_args(annotation):
        yield from _tables(inner)


def _line_number(text: str, place: Place) -> int | None:
    """Line of the key, as far as it can be found by reading along; None where it cannot."""
    keys = [str(part) for part in place if isinstance(part, str)]
    index = place[1] if len(place) > 1 and isinstance(place[1], int) else 0
    header, count = "", {"": index}
    for number, line in enumerate(text.splitlines(), 1):
        if table := re.match(r"\s*\[{1,2}\s*([\w.\-]+)\s*\]{1,2}", line):
            header = table[1]
            count[header] = count.get(header, -1) + 1
            found = header.split(".")
        elif key := re.match(r"\s*([\w\-]+|\"[^\"]+\")\s*=", line):
            found = [*(header.split(".") if header else []), key[1].strip('"')]
        else:
            continue
        if found == keys[: len(found)] and count[header] == index and (not table or found == keys):
            return number
    return None
