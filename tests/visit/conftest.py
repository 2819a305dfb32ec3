"""A planned visit to the toy water."""

from __future__ import annotations

import pytest

from reachmap.light import light_of_scenes
from reachmap.visit import plan_visit
from tests import toy


@pytest.fixture(scope="package")
def run():
    """The toy result with a planned visit."""
    ch = toy.channel()
    made = toy.result(ch, days=light_of_scenes(ch, ch.beat.scenes))
    visit = plan_visit(ch, made.outlooks, made.lies, made.days)
    return ch, made, visit
