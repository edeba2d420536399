"""Regulation geometry of the table, in the project's table coordinates.

Table points are (x, y, z) in m: origin at the centre of the playing surface, x along the length
(-1.37 .. 1.37), y across the width (-0.7625 .. 0.7625), z up. Right-handed.

Source: The Laws of Table Tennis, ITTF Statutes chapter 2; law numbers stand beside each value.
"""

from __future__ import annotations

import numpy as np

LENGTH = 2.74  # m, Law 2.1.1
WIDTH = 1.525  # m, Law 2.1.1
HEIGHT = 0.76  # m, surface above the floor, Law 2.1.1
HALF_LENGTH = LENGTH / 2  # m; the net stands at x = 0, Law 2.1.5
HALF_WIDTH = WIDTH / 2  # m
EDGE_LINE = 0.02  # m, white line along each edge, inside the playing surface, Law 2.1.4
CENTRE_LINE = 0.003  # m, Law 2.1.6
NET_HEIGHT = 0.1525  # m, top of the net and of the posts, Laws 2.2.2 and 2.2.3
POST_OVERHANG = 0.1525  # m, outer limit of a post outside the side line, Law 2.2.2
NET_SPAN = WIDTH + 2 * POST_OVERHANG  # m, 1.83
BALL_DIAMETER = 0.040  # m, Law 2.3.1
BALL_RADIUS = BALL_DIAMETER / 2  # m
BALL_MASS = 0.0027  # kg, Law 2.3.2

#: The outer corners of the white lines, in the one order used everywhere:
#: (-x, -y), (+x, -y), (+x, +y), (-x, +y). Shape (4, 3), m.
CORNERS = np.array(
    [
        [-HALF_LENGTH, -HALF_WIDTH, 0.0],
        [HALF_LENGTH, -HALF_WIDTH, 0.0],
        [HALF_LENGTH, HALF_WIDTH, 0.0],
        [-HALF_LENGTH, HALF_WIDTH, 0.0],
    ]
)
CORNERS.setflags(write=False)
