"""Which lies are worth going to, at the scene's hour or at another of its day."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from reachmap.visit.worth import best_lies
from tests import toy


@pytest.fixture(scope="module")
def lies():
    return toy.result(toy.channel(1.0)).lies


def test_lies_of_the_scene_come_first_whatever_its_other_hours_bring(lies):
    [name, table] = next(iter(lies.scenes.items()))
    hours = pd.DataFrame(0.9, index=range(3), columns=table.index)
    want = table[table["rank"] > 0].sort_values("rank").index.tolist()
    assert want
    assert best_lies(lies, name, hours) == best_lies(lies, name, pd.DataFrame()) == want


def test_where_none_does_those_that_stand_out_later_do_by_their_best_hour(lies):
    [name, table] = next(iter(lies.scenes.items()))
    none = replace(lies, scenes={name: table.assign(rank=0)})
    least = lies.report["least_score"]
    hours = pd.DataFrame({1: [0.1, least], 2: [least + 0.1, 0.0], 3: [least - 0.01, 0.2]})
    assert best_lies(none, name, hours) == [2, 1]
    assert best_lies(none, name, hours * 0.5) == []
    assert best_lies(none, name, pd.DataFrame()) == []
