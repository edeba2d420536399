from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from placement import figures
from placement.evidence.weeks import (
    _compare_hits,
    _sentences,
    by_day,
    compare_all_days,
    compare_days,
    hit_trend,
    with_days,
)
from tests.evidence.test_figures import serves_at


def _two_days(rng, first: float, second: float, turns: int = 6, a_turn: int = 5) -> pd.DataFrame:
    """Two days of serves to the left third, hit with the given rates; misses go to the right."""
    parts = []
    for day, rate in (("2026-01-12", first), ("2026-02-09", second)):
        n = turns * a_turn
        hit = rng.random(n) < rate
        y = np.where(hit, 0.5, -0.5) + rng.normal(0, 0.05, n)
        x = rng.uniform(0.3, 1.0, n)
        part = serves_at(np.column_stack([x, y]))
        offset = 100 * (len(parts) + 1)
        parts.append(part.assign(filmed_on=day, turn_id=part["turn_id"] + offset))
    return figures.judge(pd.concat(parts, ignore_index=True))


def test_a_great_change_is_seen_and_said():
    found = compare_days(
        _two_days(np.random.default_rng(1), 0.2, 0.9), "2026-01-12", "2026-02-09",
        rng=np.random.default_rng(2),
    )  # fmt: skip
    assert found.hits is not None
    assert found.hits.is_beyond_chance
    assert found.hits_p < 0.05
    assert "more than chance" in found.sentences[0]
    assert found.difference is not None
    assert found.difference.beyond_chance.any()


def test_nothing_changed_is_seldom_called_a_change():
    """False alarms at a nominal 5 %, by both tests together with the sentence that is printed.

    60 drawings: at 5 % more than 8 alarms have a chance below 1 % (binomial). The rate itself is
    settled by the tests of `compare`; this one sees that the page's sentence keeps it.
    """
    rng = np.random.default_rng(7)
    alarms = 0
    for _ in range(60):
        judged = with_days(_two_days(rng, 0.6, 0.6, turns=5, a_turn=4))
        one, two = (judged[judged["day"] == day] for day in ("2026-01-12", "2026-02-09"))
        hits, p_value = _compare_hits(one, two, rng)
        alarms += "more than chance alone" in _sentences(hits, p_value, None, None, None)[0]
    assert alarms <= 8


def test_only_targets_of_both_days_are_compared():
    judged = _two_days(np.random.default_rng(3), 0.5, 0.5)
    judged.loc[judged["filmed_on"] == "2026-02-09", "target"] = "right"
    found = compare_days(judged, "2026-01-12", "2026-02-09", rng=np.random.default_rng(4))
    assert found.hits is None
    assert "no target was called on both days" in found.sentences[0]


def test_days_are_in_order_with_their_distance():
    days = by_day(_two_days(np.random.default_rng(5), 0.5, 0.5))
    assert days["when"].tolist() == [0.0, 28.0]  # 12 January to 9 February: four weeks
    assert days["n"].tolist() == [30, 30]
    assert "three days" in hit_trend(days)[1]


def test_every_pair_is_compared_with_correction(demo):
    judged = figures.judge(demo.serves(student_code="EV"))
    table = compare_all_days(judged, rng=np.random.default_rng(6))
    assert len(table) == 6  # four days: 4 * 3 / 2 pairs
    assert (table["p_hits_corrected"] >= table["p_hits"]).all()


def test_a_day_without_serves_is_refused():
    judged = _two_days(np.random.default_rng(8), 0.5, 0.5)
    with pytest.raises(ValueError, match="no serves were filmed on 2026-03-01"):
        compare_days(judged, "2026-01-12", "2026-03-01", rng=np.random.default_rng(0))
