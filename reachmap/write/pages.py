"""The frame of a page without script: nothing from outside, one main part, a width that fits a phone."""

from __future__ import annotations

from pathlib import Path

from reachmap.errors import OutputError
from reachmap.whole import write_whole

BEGINS = "<!doctype html>"

WRAP = "body{overflow-wrap:anywhere}table{overflow-wrap:break-word}"
"""A name without a gap breaks where it must; words in narrow columns stay whole."""


def plain_page(title: str, style: str, body: str) -> str:
    """A whole html page.

    Parameters
    ----------
    title, body : html, anything a user typed in it escaped already
    style : rules of its own
    """
    return f"""{BEGINS}<html lang="en"><meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<meta name="viewport" content="width=device-width,initial-scale=1"><title>{title}</title><style>{WRAP}{style}</style>
<main>{body}</main></html>
"""


def write_page(path: Path, page: str, instead: str = "Choose another place") -> None:
    """Write a page, whole or not at all; of what stands there only a page may be replaced.

    Parameters
    ----------
    path : where to
    page : html
    instead : what to do if it can't be written, for the message

    Raises
    ------
    OutputError : it can't be written, or something else stands there
    """
    try:
        if path.exists() and not _is_page(path):
            raise OutputError(f"{path} is no page, so it is left as it was. {instead}.")
        write_whole(path, page)
    except OSError as error:
        raise OutputError(f"{path}: can't be written ({error.strerror}). {instead}.") from error


def _is_page(path: Path) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return file.read(len(BEGINS)).lower() in (BEGINS.encode(), b"")
