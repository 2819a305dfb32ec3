"""The page of what the log says, made of verdicts whose numbers are known."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reachmap.trout.learn import Joined, judge
from reachmap.trout.model import SCORE_WORDS
from reachmap.trout.tune import Tuning
from reachmap.visit.wading import STANDING_CAUTIONS
from reachmap.write.learned import Section, learned_page


def made(scores, water, tuning=None):
    """The page of a beat whose fish lay at some scores by day, one a trip, the water fished away from them."""
    entries = pd.DataFrame({"score": scores, "fish": 1, "met": True, "eye": "day", "meeting": True})
    none = {"night": np.empty(0)}
    fished = {"day": np.asarray(water, float), **none}
    away = {"day": np.ones(len(water), bool), **none}
    joined = Joined(entries, fished, away, {"day": len(scores), "night": 0}, {"day": [()], "night": []}, ())
    return learned_page([Section("<Beck>", {"day": judge(joined, "day")}, {"day": tuning} if tuning else {}, joined)])


def test_classes_without_fish_or_with_all_of_them_have_honest_limits():
    """None of 30 in a twentieth of the water may still be more than twice what chance would give."""
    page = made(np.full(30, 0.4), [0.1] * 5 + [0.4] * 95)
    assert "0.00<br><small>0.00 to 2.31</small>" in page
    assert "<small>0.00 to 0.00</small>" not in page
    assert "&lt;Beck&gt;" in page


def test_a_score_is_called_what_the_map_calls_it():
    """By the words of the page's own data, which its script reads."""
    page = made(np.linspace(0.02, 0.98, 40), np.linspace(0.02, 0.98, 200))
    low = 0.0
    for high, word in SCORE_WORDS:
        assert f"<td>{word}<br><small>{low:.2f} to {high:.2f}</small></td>" in page
        low = high


def test_tuned_weights_are_told_apart_from_what_the_log_alone_would_say():
    weights, log_alone = np.linspace(0.5, 1.0, 6), np.full(6, 2.0)
    page = made([0.4] * 30, [0.1, 0.4], Tuning(True, "better", weights, log_alone, log_alone + 0.1, 1.0, 3.0, 30, 6))
    assert "<th>what the log alone would say (90 %)</th>" in page
    assert "interval" not in page
    assert "may lie outside" in page


def test_a_page_that_sends_one_back_to_the_water_has_the_cautions():
    page = made([0.4] * 30, [0.1, 0.4])
    _, _, cautions = page.partition("<h2>Before you wade</h2>")
    assert all(text in cautions for text in STANDING_CAUTIONS)
