"""The pictures of a student's page: nothing is drawn over the words."""

from __future__ import annotations

import numpy as np
import pytest

from placement import figures
from placement.evidence import pictures
from placement.evidence.weeks import by_day, compare_days
from tests.evidence.test_figures import serves_at


def wide_serves(n=60):
    """Serves scattered so widely that the ellipse of the next ones reaches over the edge."""
    rng = np.random.default_rng(5)
    points = np.column_stack([rng.uniform(0.2, 1.3, n), rng.uniform(-0.74, -0.3, n)])
    return figures.judge(serves_at(points, target=("", "right", "")))


def boxes(figure):
    figure.canvas.draw()
    texts = [text for ax in figure.axes for text in ax.texts if text.get_text().strip()]
    return [text.get_window_extent() for text in texts if text.get_gid() != "sign"]


def test_no_ellipse_reaches_over_the_words_beside_the_table():
    figure = pictures.map_figure(wide_serves())
    (ax,) = figure.axes
    figure.canvas.draw()
    beside = next(t for t in ax.texts if t.get_gid() == "beside").get_window_extent()
    dotted = [
        line for line in ax.lines if line.get_linestyle() == ":" and len(line.get_xdata()) > 9
    ]
    assert dotted
    right_of_table = ax.transData.transform((0.7625, 0.0))[0]
    seen = [np.clip(ax.transData.transform(line.get_xydata())[:, 0], None, ax.bbox.x1)
            for line in dotted]  # fmt: skip
    assert max(s.max() for s in seen) > right_of_table  # else the test would say nothing
    assert max(s.max() for s in seen) <= beside.x0


@pytest.mark.parametrize("kind", ["map", "weeks"])
@pytest.mark.parametrize("view", ["server", "receiver"])
def test_words_stay_inside_the_picture_and_apart(demo, kind, view):
    judged = figures.judge(demo.serves(student_code="AK"))
    if kind == "map":
        figure = pictures.map_figure(judged, view=view)
    else:
        days = by_day(judged)["day"]
        found = compare_days(judged, days.iloc[0], days.iloc[-1], rng=np.random.default_rng(0))
        figure = pictures.weeks_figure(judged, found, view=view)
    found = boxes(figure)
    for k, box in enumerate(found):
        assert box.x0 >= 0
        assert box.x1 <= figure.bbox.width
        assert box.y0 >= 0
        assert box.y1 <= figure.bbox.height
        assert not any(box.overlaps(other) for other in found[k + 1 :])
