"""Small marks that pages share: the class chip and the status word, each readable without colour."""

from __future__ import annotations

from base64 import b64encode
from functools import lru_cache
from hashlib import sha256

from meshtools.report.markup import Html, join, tag
from meshtools.report.words import HATCHED, STATUSES, class_words, shown_status


def class_chip(code: str, meaning: str = "") -> Html:
    """The class code on its colour; NONE is an outline, FILL and MADE are hatched. meaning: what it means here, else what it means in general."""
    words = class_words(code)
    kind = "chip" + (" outline" if code in ("NONE", "") else "") + (" hatched" if code in HATCHED else "")
    return tag("span", code or "–", class_=kind, style=f"background-color:{words.colour};color:{words.ink}", title=meaning or words.words)


def status_mark(status: str) -> Html:
    """The status as a sign and a word."""
    sign, meaning = STATUSES.get(status, ("?", ""))
    return tag("span", tag("span", sign, class_="sign", aria_hidden="true"), shown_status(status), class_=f"status {status}", title=meaning)


def _safe(text: str) -> str:
    """A script's text without what would end its element."""
    return text.replace("</", "<\\/").replace("<!--", "<\\!--")


@lru_cache(maxsize=4)
def running_script(text: str) -> tuple[Html, str]:
    """The element of a script that runs, and its SHA-256 in base64. The viewer is half a megabyte and the same on every page."""
    safe = _safe(text)
    return Html(f"<script>{safe}</script>"), b64encode(sha256(safe.encode()).digest()).decode()


def page_frame(title: str, body: Html, style: str, scripts: tuple[tuple[str, str], ...] = ()) -> str:
    """A whole HTML document that may run exactly the given (kind, text) scripts and may load nothing at all.

    The policy names each script by its hash, so markup that slipped in could not run either.
    """
    return "".join(page_parts(title, body, style, scripts))


def page_parts(title: str, body: Html, style: str, scripts: tuple[tuple[str, str], ...] = ()) -> tuple[str, ...]:
    """The same in parts that make the document one after the other; the large ones are of one kind of letters each."""
    written, hashes = [], []
    for kind, text in scripts:
        if kind == "json":
            written.append(Html(f'<script type="application/json" id="bone-mesh">{_safe(text)}</script>'))
        else:
            script, digest = running_script(text)
            written.append(script)
            hashes.append(f"'sha256-{digest}'")
    policy = f"default-src 'none'; style-src 'unsafe-inline'; img-src data:; script-src {' '.join(hashes) or chr(39) + 'none' + chr(39)}"
    head = join([
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=policy),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("title", title),
        Html(f"<style>{style}</style>"),
    ])
    return f'<!DOCTYPE html>\n<html lang="en">{tag("head", head)}<body>{body}', *written, "</body></html>\n"


@lru_cache(maxsize=4)
def in_bytes(script: Html) -> bytes:
    """A script of a page in UTF-8, once for all pages."""
    return script.encode()
