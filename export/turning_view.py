"""The part of the owner's page that can be turned: the back in the colours of its pressure, still pictures for paper
and for devices that run no script, and the script."""

import json
from base64 import b64encode
from functools import cache
from hashlib import sha256
from html import escape
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

from shimwright.export.before_after import before_and_after
from shimwright.export.coloured_mesh import ColouredMesh, back_mesh, underside_mesh, y_up
from shimwright.export.oblique_view import body_obliquely, oblique_view
from shimwright.export.picture import page_svg
from shimwright.export.pressure_map import levels_kpa
from shimwright.optimize.answer import Contact, Fit
from shimwright.optimize.trade_words import said

CASE = "mounted"
STILL_MM = 92.0
EVERY, LINE_EVERY = 2, 5  # stations and angles: 10 mm and 2.5° look smooth and keep the file small; a line every 50 mm
STEPS_PER_MM = 10.0  # 16 bits hold 3.2 m either way
AHEAD_MM = np.array([60.0, 0.0, 0.0])  # where the word "head" stands
SCRIPTS = ("three.js", "turn.js")
LOOKS = (("above", "from above"), ("left", "left (near)"), ("right", "right (off)"), ("behind", "from behind"))


def turning_view(fit: Fit) -> str:
    """A <section> that shows stills; where the script can draw, the view takes their place on the screen."""
    contacts = before_and_after(fit)
    levels = levels_kpa(fit, CASE)
    body = body_obliquely(fit.back.surface, STILL_MM)
    stills = "".join(
        f"<figure><figcaption>{escape(name)}</figcaption>{page_svg(oblique_view(body, contact, CASE, levels))}</figure>"
        for name, contact in contacts
    )
    shown = "".join(_button("show", name, name) for name, _ in contacts) if len(contacts) > 1 else ""
    looks = "".join(_button("look", key, text) for key, text in LOOKS)
    data = json.dumps(_data(fit, contacts, float(levels[-1])), separators=(",", ":"))
    return (
        "<section id=turn><h2>Where it presses, on the back itself</h2>"
        f"<div class='wrap still'>{stills}</div><div class=stage><span class=head>head</span></div>"
        "<p class='quiet turned'>Drag with a finger or the mouse, or press the arrow keys, + and −.</p>"
        f"<div class='choose turned' role=group aria-label='What is shown'>{shown}"
        f"<button type=button data-saddle aria-pressed=false>{said('panels on', fit.saddle.style)}</button></div>"
        f"<div class='choose turned' role=group aria-label='Seen from'>{looks}</div>"
        "<p class=quiet>Rider up. Dark presses firmly, light lightly; in the back's own colour nothing touches.</p>"
        f'<script type="application/json" id=turn-data>{data}</script>'
        f"{''.join(f'<script>{_script(name)}</script>' for name in SCRIPTS)}</section>"
    )


def allowed_scripts() -> str:
    """The scripts of this page and no other, as a Content-Security-Policy names them: 'sha256-…' of each text."""
    digests = (b64encode(sha256(_script(name).encode()).digest()).decode() for name in SCRIPTS)
    return " ".join(f"'sha256-{digest}'" for digest in digests)


def _button(what: str, value: str, text: str) -> str:
    return f'<button type=button data-{what}="{escape(value)}">{escape(text)}</button>'


def _data(fit: Fit, contacts: list[tuple[str, Contact]], most_kpa: float) -> dict[str, object]:
    backs = {name: back_mesh(fit.back.surface, contact, CASE, most_kpa, EVERY) for name, contact in contacts}
    one = next(iter(backs.values()))
    colours = {name: _text(mesh.colour) for name, mesh in backs.items()}
    foremost = one.points_mm[np.lexsort([one.points_mm[:, 2], one.points_mm[:, 0]])[-1:]]
    return {
        "head": np.round(y_up(foremost + AHEAD_MM)[0] / 1000.0, 3).tolist(),  # the view is in metres
        "back": {**_shape(one, _sections(one)), "colours": colours},
        "underside": _shape(underside_mesh(contacts[-1][1], CASE, most_kpa)),
    }


def _sections(mesh: ColouredMesh) -> NDArray[np.int64]:
    """(k, 2) ends of the mesh's edges along every LINE_EVERY-th station."""
    pairs = mesh.triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2)
    station = np.unique(mesh.points_mm[:, 0], return_inverse=True)[1][pairs]
    along = (station[:, 0] == station[:, 1]) & (station[:, 0] % LINE_EVERY == 0)
    return np.unique(np.sort(pairs[along], axis=1), axis=0)


def _shape(mesh: ColouredMesh, lines: NDArray[np.int64] | None = None) -> dict[str, str | int]:
    """Points in tenths of a mm, and the numbers of those that triangles and lines join."""
    bits = 16 if len(mesh.points_mm) <= 1 << 16 else 32
    return {
        "points": _text(np.rint(STEPS_PER_MM * y_up(mesh.points_mm)).astype("<i2")),
        "bits": bits,
        "triangles": _text(mesh.triangles.astype(f"<u{bits // 8}")),
        "lines": _text(np.asarray([] if lines is None else lines).astype(f"<u{bits // 8}")),
    }


def _text(array: NDArray[np.generic]) -> str:
    return b64encode(np.ascontiguousarray(array).tobytes()).decode()


@cache
def _script(name: str) -> str:
    return (files("shimwright.export") / "three" / name).read_text(encoding="utf-8")
