"""The layout: data flow one way through the rooms, and nothing else at the top."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests import published

ROOT = Path(__file__).parents[1]
ROOMS = ["beat", "channel", "light", "sight", "trout", "visit", "write"]
SHARED = {"layers", "constants", "errors", "threads", "whole"}
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "reachmap", "tests", "sample_reach", "LICENSE"}


def imported_rooms(path: Path) -> set[str]:
    """Names directly below `reachmap` that a module imports, at the top or late, also for typing only."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            if node.module == "reachmap":
                found |= {alias.name for alias in node.names}
            elif node.module and node.module.startswith("reachmap."):
                found.add(node.module.split(".")[1])
        elif isinstance(node, ast.Import):
            found |= {a.name.split(".")[1] for a in node.names if a.name.startswith("reachmap.")}
    return found


def imported_libraries(path: Path) -> set[str]:
    """Names of what a module imports from outside the package and the standard library, at the top or late."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            found.add(node.module.split(".")[0])
        elif isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
    return found - sys.stdlib_module_names - {"reachmap"}


def test_every_library_imported_is_declared():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    asked = [*project["dependencies"], *project["optional-dependencies"]["cluster"]]
    declared = {re.split(r"[^\w-]", line)[0] for line in asked}
    for path in (ROOT / "reachmap").rglob("*.py"):
        undeclared = imported_libraries(path) - declared
        assert not undeclared, f"{path.relative_to(ROOT)} imports {undeclared}"


@pytest.mark.parametrize("room", ROOMS)
def test_a_room_imports_only_earlier_rooms(room):
    allowed = set(ROOMS[: ROOMS.index(room) + 1]) | SHARED
    for path in (ROOT / "reachmap" / room).rglob("*.py"):
        late = imported_rooms(path) - allowed
        assert not late, f"{path.relative_to(ROOT)} imports {late}"


def test_shared_modules_import_no_room():
    for name in SHARED:
        assert not imported_rooms(ROOT / "reachmap" / f"{name}.py") - SHARED


def test_top_level_is_what_was_agreed():
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    top = {line.split("/")[0] for line in listed.splitlines()}
    assert {name for name in top if not name.startswith(".")} == TOP


def test_help_needs_no_heavy_library():
    code = (
        "import sys; from reachmap.cli import main\n"
        "heavy = {'numpy', 'geopandas', 'rasterio', 'scipy', 'folium', 'pandas', 'shapely', 'ephem'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    out = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


@pytest.mark.parametrize("path", sorted((ROOT / "tests" / "published").glob("*.toml")), ids=lambda p: p.stem)
def test_every_published_row_has_a_source_and_is_used(path):
    tests = "\n".join(p.read_text(encoding="utf-8") for p in (ROOT / "tests").rglob("test_*.py"))
    for key, row in published.load(path.stem).items():
        assert row.source, f"{path.stem} {key} names no source"
        assert row.tag in published.TAGS, f"{path.stem} {key}: tag {row.tag!r}"
        assert re.search(rf'["\']{re.escape(key)}["\']', tests), f"{path.stem} {key} is checked by no test"
