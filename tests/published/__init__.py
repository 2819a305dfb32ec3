"""Published check values, one TOML table a subject, each row with its source.

A row: `what` (quantity and inputs in words), `expected` (number or list), `tolerance`, `kind` ("abs" or "rel"),
`source` (who says so), `tag`: "found" (seen in the named source), "computed" (arithmetic or a reference library),
"from memory" (not re-read), "common practice" (a fact of the trade).
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

TAGS = ("found", "computed", "from memory", "common practice")


@dataclass(frozen=True)
class Row:
    """One check value."""

    what: str
    expected: float | list[float]
    tolerance: float
    kind: str
    source: str
    tag: str

    def check(self, value) -> None:
        """Assert that a computed value (scalar or list) agrees within the row's tolerance."""
        got = np.asarray(value, float)
        want = np.asarray(self.expected, float)
        assert got.shape == want.shape, f"{self.what}: shape {got.shape}, expected {want.shape}"
        room = self.tolerance if self.kind == "abs" else self.tolerance * np.abs(want)
        assert np.all(np.abs(got - want) <= room), f"{self.what}: got {got}, {self.source} says {want} +- {room}"


@cache
def load(subject: str) -> dict[str, Row]:
    """All rows of `tests/published/<subject>.toml` by id."""
    text = (Path(__file__).parent / f"{subject}.toml").read_text(encoding="utf-8")
    return {key: Row(**{"kind": "abs", **row}) for key, row in tomllib.loads(text).items()}
