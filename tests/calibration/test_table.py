"""The Laws of Table Tennis, ITTF Statutes chapter 2, against the table's numbers."""

import numpy as np

from calibration import table


def test_table_and_net_are_those_of_the_laws():
    assert (table.LENGTH, table.WIDTH) == (2.74, 1.525)  # Law 2.1.1
    assert table.HEIGHT == 0.76  # Law 2.1.1
    assert table.EDGE_LINE == 0.02  # Law 2.1.4
    assert table.CENTRE_LINE == 0.003  # Law 2.1.6
    assert table.NET_HEIGHT == 0.1525  # Law 2.2.3
    assert np.isclose(table.NET_SPAN, 1.83, rtol=0, atol=1e-12)  # Law 2.2.2: 1.525 + 2 × 0.1525
    assert table.HALF_LENGTH == 1.37  # Law 2.1.5: the net divides two equal courts


def test_a_ball_on_the_centre_line_is_in_both_right_half_courts():
    # Laws 2.1.6 and 2.6.3: the line, 3 mm about the middle, belongs to each right half-court; seen
    # from the left-hand corner it covers 0.7610 to 0.7640 m of the width
    low, high = (table.HALF_WIDTH + s * table.CENTRE_LINE / 2 for s in (-1, 1))
    assert np.allclose([low, high], [0.7610, 0.7640], rtol=0, atol=1e-12)
    assert low <= 0.7615
    assert high >= 0.7635


def test_corners_run_counter_clockwise_seen_from_above_and_cannot_be_changed():
    c = table.CORNERS[:, :2]
    n = np.roll(c, -1, axis=0)
    assert np.isclose((c[:, 0] * n[:, 1] - c[:, 1] * n[:, 0]).sum() / 2, 2.74 * 1.525, atol=1e-12)
    assert not table.CORNERS.flags.writeable
