"""The living map: one html file made with folium that works without a network and carries the physics.

Nothing a user typed passes through folium's or branca's templates (they compile their own output again, so text in
double braces would run here). The page is rendered without it; it comes in afterwards as one block of JSON, escaped,
which the script writes with textContent. The policy in the head names the hashes of our scripts, so no other runs.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Sequence
from functools import cache
from html import escape
from importlib.metadata import distribution
from importlib.resources import files
from typing import Any

import folium
from branca.element import Element

from reachmap.write.model import Result
from reachmap.write.webmap_data import page_data

SCRIPTS = (
    "unpack.js", "light.js", "eye.js", "edge.js", "score.js", "words.js", "ramps.js", "legend.js", "paint.js",
    "signs.js", "tags.js", "current.js", "shapes.js", "kept.js", "foreign.js", "notes.js", "lies.js", "panel.js",
    "water.js", "place.js", "where.js", "order.js", "cautions.js", "controls.js", "main.js",
)  # fmt: skip
"""The page's own modules in the order they are joined."""

DATA_MARK, TITLE_MARK, POLICY_MARK = "@@reachmap-data@@", "@@reachmap-title@@", "@@reachmap-policy@@"

POLICY = (
    "default-src 'none'; img-src data: blob:{tiles}; style-src 'unsafe-inline'; script-src {hashes}; "
    "connect-src 'none'; base-uri 'none'; form-action 'none'"
)


IMAGERY = {
    "host": "https://tile.openstreetmap.org",
    "path": "/{z}/{x}/{y}.png",
    "zoom": 19,
    "credit": '<a href="https://www.openstreetmap.org/copyright">© OpenStreetMap contributors</a>',
}
"""Background tiles for those who ask for them: open data (ODbL), a network needed, the credit shown while they are."""


class Plain(Element):
    """Finished text in a page, never taken for a template."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = text

    def render(self, **kwargs: Any) -> str:
        """The text as it is."""
        return self.text


class OfflineMap(folium.Map):
    """A folium map with Leaflet inside the page instead of links to it."""

    default_js: Sequence[tuple[str, str]] = []
    default_css: Sequence[tuple[str, str]] = []

    def render(self, **kwargs: Any) -> None:
        """Put Leaflet with its licence and our page around the map."""
        figure = self.get_root()
        figure.header.add_child(Plain(_head()), name="reachmap_head")
        super().render(**kwargs)
        figure.html.add_child(Plain(_read("panel.html")), name="reachmap_panel")
        figure.html.add_child(
            Plain(f'<script type="application/json" id="reachmap-data">{DATA_MARK}</script>'), name="reachmap_data"
        )
        start = f"{page_script()}\nreachmap.start({self.get_name()}, L);"
        figure.script.add_child(Plain(start), name="reachmap_script")


def map_page(result: Result, imagery: bool = False) -> str:
    """The whole page; the same result gives the same bytes.

    Parameters
    ----------
    result : everything one run found
    imagery : offer background tiles from the network; without it the page names no host at all
    """
    data = to_json(page_data(result) | {"imagery": IMAGERY if imagery else None})
    # The data go in first: the title's mark stands before them, so a mark that a user typed is never taken for ours.
    return (
        _page(imagery).replace(DATA_MARK, data, 1).replace(TITLE_MARK, escape(result.channel.beat.name, quote=True), 1)
    )


def to_json(value: object) -> str:
    """JSON that may stand inside a script element: nothing in it can end the element or start markup."""
    text = json.dumps(value, allow_nan=False, ensure_ascii=True, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


@cache
def _page(imagery: bool) -> str:
    """The page without anything of a beat, its policy made from the scripts that stand in it and the tiles' host."""
    page = OfflineMap(
        tiles=None,
        location=(0, 0),
        zoom_start=15,
        max_zoom=24,
        zoom_snap=0.25,
        zoom_control=False,
        fade_animation=False,
    )
    # folium numbers its elements at random; a fixed number gives the same bytes every time.
    page._id = "beat"
    html = page.get_root().render()
    html = html.replace("<html>", '<html lang="en">', 1)
    # People who need larger print may pinch the panel; folium forbids it.
    html = re.sub(
        r"<meta name=\"viewport\"[^>]*>", '<meta name="viewport" content="width=device-width">', html, count=1
    )
    scripts = re.findall(r"<script>(.*?)</script>", html, re.DOTALL)
    hashes = " ".join(f"'sha256-{base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()}'" for s in scripts)
    tiles = f" {IMAGERY['host']}" if imagery else ""
    return html.replace(POLICY_MARK, POLICY.format(hashes=hashes, tiles=tiles), 1)


def _head() -> str:
    """Policy, title, Leaflet's style and script with the licence it is under, our style."""
    licence = distribution("django-js-lib-leaflet").read_text("LICENSE") or ""
    css = re.sub(r"url\(images/([\w-]+\.png)\)", lambda m: f"url({_image(m[1])})", _leaflet("leaflet.css"))
    code = re.sub(r"//# sourceMappingURL=\S+", "", _leaflet("leaflet.js"))
    return "\n".join(
        [
            f'<meta http-equiv="Content-Security-Policy" content="{POLICY_MARK}">',
            f"<title>{TITLE_MARK}</title>",
            f"<!-- Leaflet, in this page under this licence:\n{licence.replace('--', '- -')}\n-->",
            f"<style>{css}</style>",
            f"<script>{code}</script>",
            f"<style>{_read('page.css')}</style>",
        ]
    )


def page_script() -> str:
    """The page's own script: its modules one after another in one scope, strict."""
    modules = "\n".join(f"// {name}\n{_read(name)}" for name in SCRIPTS)
    doors = "return {start, mergeNotes, placeTags, classColours, classGreys, ramps: RAMPS};"
    return f"const reachmap = (() => {{\n'use strict';\n{modules}\n{doors}\n}})();"


def _read(name: str) -> str:
    """One of the page's pieces."""
    return files("reachmap.write").joinpath("page", name).read_text(encoding="utf-8")


def _leaflet(name: str) -> str:
    """A text file of the packaged Leaflet."""
    return files("js_lib_leaflet").joinpath("static", "js_lib_leaflet", name).read_text(encoding="utf-8")


def _image(name: str) -> str:
    """An image of the packaged Leaflet as a data: address."""
    raw = files("js_lib_leaflet").joinpath("static", "js_lib_leaflet", "images", name).read_bytes()
    return "data:image/png;base64," + base64.b64encode(raw).decode("ascii")
