"""Fixtures every room may use."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import settings

from tests import toy

# A busy machine is slow, not wrong.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")

pytest_plugins = ["tests.firefox", "tests.browser"]


@pytest.fixture(scope="session")
def toy_channel():
    """The toy channel at 0.5 m cells."""
    return toy.channel()


@pytest.fixture(scope="session")
def sample_folder() -> Path:
    """The sample beat that comes with the project."""
    return Path(__file__).parents[1] / "sample_reach"
