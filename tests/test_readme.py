"""What the README promises runs as it stands there."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]


def block(title: str) -> str:
    """The first code block below a heading."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    found = re.search(rf"^## {re.escape(title)}\n.*?^```\w*\n(.*?)^```", text, re.S | re.M)
    assert found, f"README has no code block below {title!r}"
    return found.group(1)


def test_first_paragraph_states_the_job():
    first = (ROOT / "README.md").read_text(encoding="utf-8").split("\n\n")[0]
    for words in ("outline", "depth and velocity points", "grid", "day and night holding", "interactive map"):
        assert words in first


def test_the_two_commands_are_one_line_each():
    assert block("Map a reach").count("\n") == 1
    assert block("Run the tests").count("\n") == 1


def test_the_python_example_runs():
    code = block("From Python")
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False, env=dict(os.environ)
    )
    assert done.returncode == 0, done.stderr
    assert "score" in done.stdout
