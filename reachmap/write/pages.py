"""The frame of a page without script: nothing from outside, one main part, a width that fits a phone."""

from __future__ import annotations


def plain_page(title: str, style: str, body: str) -> str:
    """A whole html page.

    Parameters
    ----------
    title, body : html, anything a user typed in it escaped already
    style : rules of its own
    """
    return f"""<!doctype html><html lang="en"><meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<meta name="viewport" content="width=device-width,initial-scale=1"><title>{title}</title><style>{style}</style>
<main>{body}</main></html>
"""
