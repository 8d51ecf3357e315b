"""Where results go: --out, OUT/<stem>/ for several inputs, beside the input when nothing was told."""

from collections import Counter
from collections.abc import Sequence
from pathlib import Path


def folders(inputs: Sequence[Path], out: Path | None) -> list[Path]:
    """One folder per input, all different. Inputs of one name are told apart by the folder they lie in.

    >>> [str(f) for f in folders([Path("a/x.ply"), Path("a/y.ply")], Path("o"))]
    ['o/x', 'o/y']
    >>> [str(f) for f in folders([Path("march/case.toml"), Path("june/case.toml")], Path("o"))]
    ['o/march', 'o/june']
    >>> [str(f) for f in folders([Path("march/case.toml"), Path("june/case.toml")], None)]
    ['march', 'june']
    """
    if out is not None:
        return [out] if len(inputs) == 1 else [out / name for name in _names(inputs)]
    crowd = Counter(path.parent for path in inputs)
    return [
        path.parent if crowd[path.parent] == 1 else path.parent / name
        for path, name in zip(inputs, _names(inputs), strict=True)
    ]


def _names(inputs: Sequence[Path]) -> list[str]:
    """A short name for each: its stem, else its folder's name, else both and a number."""
    stems = [path.stem for path in inputs]
    parents = [path.absolute().parent.name or path.stem for path in inputs]
    for names in (stems, parents, [f"{p}-{s}" for p, s in zip(parents, stems, strict=True)]):
        if len({name.casefold() for name in names}) == len(names):
            return names
    return [f"{number}-{stem}" for number, stem in enumerate(stems, 1)]
