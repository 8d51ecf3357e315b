"""client.html: the owner's page as one file that opens offline; script turns one view and nothing else. No kPa here."""

from base64 import b64encode
from html import escape
from importlib.resources import files
from pathlib import Path
from typing import Any, cast

from shimwright.export.before_after import before_and_after
from shimwright.export.cross_section import cross_section
from shimwright.export.fitter_sheet import section_places
from shimwright.export.owners_words import owners_words
from shimwright.export.picture import Picture, page_style, page_svg
from shimwright.export.pressure_map import legend, levels_kpa, pressure_map
from shimwright.export.side_view import side_view
from shimwright.export.turning_view import allowed_scripts, turning_view
from shimwright.export.view_from_above import view_from_above
from shimwright.export.zone_feel import zone_feels
from shimwright.optimize.answer import Fit
from shimwright.optimize.trade_words import said

WIDE_MM = 92.0  # a phone's width at true size, so that words keep their size
Rows = list[list[str]]


def write_html(fit: Fit, folder: Path) -> None:
    """Write client.html into folder."""
    (folder / "client.html").write_text(client_html(fit), encoding="utf-8")


def client_html(fit: Fit) -> str:
    words = owners_words(fit)
    parts = (
        _masthead(words),
        _verdict(words),
        _setup(fit, words),
        _before_and_after(fit, words),
        turning_view(fit),
        _why(words),
        _sections(fit),
        _hands(cast(dict[str, Any], words["hands"]), str(words["panel"])),
        *(_list(group["name"], group["lines"]) for group in cast(list[dict[str, Any]], words["cautions"])),
        _table("What comes out, and when", cast(Rows, words["take_out"])),
        _table("Where this comes from", [*cast(Rows, words["sources"]), ["Weight", str(words["load"])]]),
    )
    title = escape(str(words["title"]))
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{_allowed()}">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f'<meta name="color-scheme" content="light dark"><title>{title}</title><style>{_style()}</style></head>\n'
        f"<body><main>{''.join(parts)}</main></body></html>\n"
    )


def _allowed() -> str:
    """What the page may load or run: its own style, its own fonts, its own two scripts; nothing from outside."""
    return (
        "default-src 'none'; base-uri 'none'; form-action 'none'; font-src data:; style-src 'unsafe-inline'; "
        f"script-src {allowed_scripts()}"
    )


def _style() -> str:
    folder = files("shimwright.export")
    faces = "".join(_face(weight, name) for weight, name in ((400, "Regular"), (600, "SemiBold")))
    return faces + page_style() + (folder / "client.css").read_text(encoding="utf-8")


def _face(weight: int, name: str) -> str:
    font = b64encode((files("shimwright.export") / "fonts" / f"Inter-{name}-page.woff2").read_bytes()).decode()
    return (
        f"@font-face{{font-family:Inter;font-weight:{weight};src:url(data:font/woff2;base64,{font}) format('woff2')}}"
    )


def _masthead(words: dict[str, object]) -> str:
    return (
        f"<header><div><h1>{_t(words['horse'])}</h1><p class=quiet>{_t(words['who'])}</p></div>"
        f"<div class=again><p class=quiet>look again</p><p class=date>{_t(words['recheck'])}</p>"
        f"<p class=quiet>{_t(words['recheck_note'])}</p></div></header>"
    )


def _verdict(words: dict[str, object]) -> str:
    headed = f"<p class=headed>{_t(words['headed'])}</p>" if words["headed"] else ""
    said = f"<p class=sentence>{_t(words['sentence'])}</p><p>{_t(words['sure'])}</p>"
    return f"<section class=verdict>{headed}{said}</section>"


def _setup(fit: Fit, words: dict[str, object]) -> str:
    rows = "".join(f"<div><dt>{_t(name)}</dt><dd>{_t(what)}</dd></div>" for name, what in cast(Rows, words["setup"]))
    picture = page_svg(view_from_above(fit, WIDE_MM, 112.0))
    return f"<section class=two><figure>{picture}</figure><dl class=setup>{rows}</dl></section>"


def _before_and_after(fit: Fit, words: dict[str, object]) -> str:
    levels = levels_kpa(fit, "mounted")
    maps = "".join(
        _figure(name, pressure_map(contact, contact.cases["mounted"], levels, (44.0, 84.0), zone_feels(contact)))
        for name, contact in before_and_after(fit)
    )
    after = f"<br><b>with the set-up (thick): {_t(words['seat_after'])}</b>" if words["seat_after"] else ""
    return (
        f"<section><h2>Before and after, rider up</h2><div class=wrap><div><div class=pair>{maps}</div>"
        f"<figure>{page_svg(legend(levels, WIDE_MM, 'light', 'firm', numbers=False))}"
        f"<figcaption>Hatched: daylight, nothing touches. {_t(words['found'])}</figcaption></figure></div>"
        f"<figure>{page_svg(side_view(fit, WIDE_MM))}<figcaption>The seat line. As found (dashed): "
        f"{_t(words['seat_before'])}{after}</figcaption></figure></div></section>"
    )


def _why(words: dict[str, object]) -> str:
    rows = cast(Rows, words["why"])
    items = "".join(f"<li><i>{_t(letter)}</i><p><b>{_t(what)}</b> {_t(helps)}</p></li>" for letter, what, helps in rows)
    level = f"<p><b>Another way.</b> {_t(words['level'])}</p>" if words["level"] else ""
    return f"<section><h2>Why</h2><ul class=why>{items}</ul>{level}</section>" if rows or level else ""


def _sections(fit: Fit) -> str:
    contact = fit.with_setup or fit.as_found
    pictures = "".join(
        _figure(name, cross_section(fit, contact, "mounted", x, (WIDE_MM, 40.0))) for name, x in section_places(fit)
    )
    return (
        f"<section><h2>How it rests, seen from behind</h2><div class=wrap>{pictures}</div>"
        "<p class=quiet>Pad grey, shims brown; white between them and the "
        f"{said('panel', fit.saddle.style)} is daylight.</p></section>"
    )


def _hands(hands: dict[str, Any], panel: str) -> str:
    if not hands["rows"]:
        return ""
    tables = "".join(_hand_state(state, k, hands["rows"]) for k, state in enumerate(hands["states"]))
    return (
        "<section><h2>Feel it with your hand</h2><p class=quiet>Press the seat down with one hand; slide the other in "
        f"flat, palm to the horse, from above down, then along under the {panel} front to rear, the same order on both "
        f"sides; look for daylight along the channel. Tick what is so.</p><div class=wrap>{tables}</div></section>"
    )


def _hand_state(state: str, number: int, rows: list[dict[str, Any]]) -> str:
    body = ""
    for row in rows:
        cells = row["cells"][number]
        span = ' colspan="2"' if len(cells) == 1 else ""
        body += f"<tr><td>{_t(row['place'])}</td>{''.join(_felt(cell, span) for cell in cells)}</tr>"
    head = f"<tr><th>{_t(state)}</th><td class=quiet>left (near)</td><td class=quiet>right (off)</td></tr>"
    return f"<table class=hands>{head}{body}</table>"


def _felt(cell: list[str], span: str) -> str:
    if not cell[0]:
        return f"<td{span}>–</td>"
    gap = f"<br><span class=quiet>{'<br>'.join(_t(part) for part in cell[1].splitlines())}</span>" if cell[1] else ""
    return f"<td{span}><label><input type=checkbox> <b>{_t(cell[0])}</b></label>{gap}</td>"


def _list(title: str, lines: list[str]) -> str:
    return (
        f"<section><h2>{title}</h2><ul>{''.join(f'<li>{_t(line)}</li>' for line in lines)}</ul></section>"
        if lines
        else ""
    )


def _table(title: str, rows: Rows) -> str:
    body = "".join(f"<tr><th>{_t(name)}</th><td>{_t(what)}</td></tr>" for name, what in rows)
    return f"<section><h2>{title}</h2><table>{body}</table></section>" if rows else ""


def _figure(name: str, picture: Picture) -> str:
    return f"<figure><figcaption>{_t(name)}</figcaption>{page_svg(picture)}</figure>"


def _t(value: object) -> str:
    return escape(str(value))
