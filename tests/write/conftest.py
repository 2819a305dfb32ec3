"""A map page for the tests that open one as it stands."""

from __future__ import annotations

import pytest

from reachmap.light import light_of_scenes
from reachmap.write import map_page
from tests import toy


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    ch = toy.channel(cell_m=1.0)
    path = tmp_path_factory.mktemp("map") / "map.html"
    path.write_text(map_page(toy.result(ch, days=light_of_scenes(ch, ch.beat.scenes))), encoding="utf-8")
    return path
