"""The text of a file that a person wrote, or one line that says why it cannot be had."""

from pathlib import Path

from shimwright.scan.refusal import WrongUse


def text_of(path: Path, kind: str, largest_bytes: int, begin: str) -> str:
    """UTF-8, with or without its mark. kind: "a TOML file", "a list"; begin: what to do where there is none.

    Raises WrongUse. A pipe is not waited for.
    """
    try:
        if path.is_dir():
            raise WrongUse(f"{path}: a folder, {kind} is needed; name the file in it")
        size = path.stat().st_size
        if not path.is_file():
            raise WrongUse(f"{path}: a pipe or a device, not a file that can be {kind}; name the file itself")
        if size > largest_bytes:
            raise WrongUse(f"{path}: {size} bytes, too large for {kind}; is it the scan?")
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise WrongUse(f"{path}: no such file; {begin}") from None
    except UnicodeDecodeError as error:
        raise WrongUse(f"{path}: byte {error.start} is not UTF-8 text; save the file as UTF-8") from None
    except OSError as error:
        raise WrongUse(f"{path}: cannot be read ({error.strerror}); check the name and the rights") from None
