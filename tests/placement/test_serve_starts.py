"""Which bounces begin a serve (Laws 2.6.3 and 2.7.1)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from placement.contacts import Contact, contacts_of
from placement.serve_starts import off_net_starts, serve_starts
from placement.serves import find_serves
from tests.placement.flown import Flown, calibrated, camera_beside, seen, times_of

CAMERA = camera_beside()
CALIBRATION = calibrated(CAMERA)


def contact(time, x, vx, *, out=None, was_seen=True, of=(0, 0)) -> Contact:
    return Contact(
        *of, time, np.array([x, 0.0]), np.eye(2) * 1e-4, np.array([vx, 0.0, -2.0]),
        np.array([0.9 * vx if out is None else out, 0.0, 1.8]), was_seen,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("contacts", "starts"),
    [
        pytest.param([contact(1, -0.6, 4), contact(1.4, 0.6, 3)], [0], id="a-serve"),
        pytest.param([contact(1, 0.6, -4), contact(1.4, -0.6, -3)], [0], id="from-the-other-end"),
        pytest.param([contact(1, -0.6, 0.2), contact(1.5, -0.6, -0.1)], [], id="idle-bouncing"),
        # struck back over the net it bounces first beyond it, on its way to the end line
        pytest.param([contact(1, -0.6, -4)], [], id="a-return"),
        # a rally's stroke half a second after a ball came to this end, its bounce inferred
        pytest.param(
            [contact(1, -0.6, -4), contact(1.6, -0.3, 4, was_seen=False)], [], id="a-volley"
        ),
        pytest.param([contact(1, -0.6, 4), contact(1.3, -0.2, 3)], [0], id="own-side-twice"),
        pytest.param([contact(1, -0.6, 4), contact(4, -0.5, 4)], [0, 1], id="two-serves"),
        # from a hand close over the end line a toss may seem to bounce
        pytest.param(
            [
                contact(1, -1.36, 1.5, of=(0, 0)),
                contact(1.85, -0.6, 4, of=(1, 0)),
                contact(2.2, 0.5, 3, of=(1, 1)),
            ],
            [1],
            id="a-toss-before-the-serve",
        ),
        # what went over was served, though its return comes down at this end soon after
        pytest.param(
            [
                contact(1, -0.6, 4, of=(0, 0)),
                contact(1.3, 0.5, 3, of=(0, 1)),
                contact(1.85, -0.6, 4, of=(1, 0)),
                contact(2.2, 0.5, 3, of=(1, 1)),
            ],
            [0],
            id="over",
        ),
    ],
)
def test_what_begins_a_serve(contacts, starts):
    assert serve_starts(contacts) == starts


def test_a_ball_that_drops_off_the_net_was_served_into_it():
    # nothing is seen before it leaves the net, from 5 cm beside it and 12 cm high
    flown = Flown().leg(5.0, (-0.05, 0.1, 0.12), (-0.5, 0.1, 0.0), 5.45)
    followed = seen(CAMERA, flown, times_of(5.0, 5.45), np.random.default_rng(5), n=1)
    contacts = contacts_of(CALIBRATION, [followed])
    assert off_net_starts(contacts, [followed], serve_starts(contacts)) == [0]
    _, serves = find_serves(CALIBRATION, [followed])
    assert [(s.outcome, s.server_end) for s in serves] == [("net", -1)]


@pytest.mark.parametrize(("beside", "served"), [(0.25, [1]), (-0.6, [])])
def test_a_toss_that_the_bat_met_is_no_way_to_the_net(beside, served):
    # a path that ends half a second before at a stroke behind the line met no table: the ball that
    # drops off the net was served; one that bounced on the table then was in play already
    begun = times_of(4.2, 4.75)
    toss = Flown().leg(4.2, (-1.37 + 0.6, 0.1, 0.5), (0.0, 0.0, 1.0), 4.75)
    met = seen(CAMERA, toss, begun, np.random.default_rng(5), n=1)
    moved = met.path.theta.copy()
    moved[1] -= 0.6 + beside
    places = met.path.bounce_places - np.array([0.6 + beside, 0.0])
    met = replace(met, path=replace(met.path, theta=moved, bounce_places=places))
    flown = Flown().leg(5.0, (-0.05, 0.1, 0.12), (-0.5, 0.1, 0.0), 5.45)
    followed = seen(CAMERA, flown, times_of(5.0, 5.45), np.random.default_rng(5), n=1)
    contacts = contacts_of(CALIBRATION, [met, followed])
    told = off_net_starts(contacts, [met, followed], serve_starts(contacts))
    assert [contacts[k].path for k in told] == served
