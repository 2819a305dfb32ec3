"""What a benchmark is asked for on the command line."""

from __future__ import annotations

import argparse
from collections.abc import Sequence


def numbers(doc: str | None, name: str, usual: Sequence[int]) -> list[int]:
    """The numbers given after a command whose words of help are `doc`, or else the usual ones."""
    parser = argparse.ArgumentParser(description=doc, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(name, type=int, nargs="*", default=[*usual], help=f"else {' '.join(map(str, usual))}")
    return vars(parser.parse_args())[name]
