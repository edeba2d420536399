"""Which bounces of paths count, and which of them begin a serve (Laws 2.6.3 and 2.7.1)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from placement.contacts import Contact, contacts_of, off_net_starts, serve_starts
from placement.serves import find_serves
from tests.placement.flown import Flown, calibrated, camera_beside, good_serve, seen, times_of

CAMERA = camera_beside()
CALIBRATION = calibrated(CAMERA)


@pytest.fixture(scope="module")
def serve():
    flown = good_serve()
    return flown, seen(CAMERA, flown, times_of(1.0, 1.9), np.random.default_rng(1))


def moved(followed, **changes):
    """The same path, its first bounce elsewhere or its covariance another."""
    theta = followed.path.theta.copy()
    theta[:3] += changes.pop("shift", np.zeros(3))
    path = replace(followed.path, theta=theta, **changes)
    places = np.array([p[0, :2] for p in path.model().places])
    return replace(followed, path=replace(path, bounce_places=places))


def test_bounces_are_where_and_when_they_were(serve):
    flown, followed = serve
    found = contacts_of(CALIBRATION, [followed])
    assert [c.half for c in found] == [-1, 1]
    for c, true in zip(found, flown.touches[:2], strict=True):
        assert c.time == pytest.approx(true.time, abs=2e-3)
        assert c.point == pytest.approx(true.place, abs=6e-3)
        assert c.incoming == pytest.approx(true.incoming, abs=0.15)
        assert c.outgoing == pytest.approx(true.outgoing, abs=0.15)
        # corners known to 0.2 px move the place as well: the spread is more than the path's own
        assert (np.diag(c.covariance) > np.diag(followed.path.bounce_covariances[0]) * 0.5).all()
        assert c.seen
        assert not c.vague


@pytest.mark.parametrize(("beyond", "on"), [(-0.01, 1), (0.010, 1), (0.10, 0)])
def test_a_bounce_on_the_edge_counts_and_one_beside_the_table_does_not(beyond, on):
    # the top edge is part of the playing surface (Law 2.1.2), and a ball whose centre is less than
    # a radius (20 mm, Law 2.3.1) beyond it may touch it
    alone = seen(CAMERA, good_serve(), times_of(1.0, 1.6), np.random.default_rng(1))
    shift = np.array([0.0, 0.0, 0.7625 + beyond - alone.path.bounce_places[0, 1]])
    found = contacts_of(CALIBRATION, [moved(alone, shift=shift)])
    assert len(found) == on
    if on:
        bounces, _ = find_serves(CALIBRATION, [moved(alone, shift=shift)])
        assert "near-edge" in bounces[0].flags


def test_no_bounce_counts_beyond_a_flight_through_the_net(serve):
    # the same flight, lower: it would cross the net's plane 6 cm deeper, below the top (15.25 cm,
    # Law 2.2.3), where the net is
    _, followed = serve
    theta = followed.path.theta.copy()
    theta[12] -= 0.25
    low = replace(followed.path, theta=theta)
    found = contacts_of(CALIBRATION, [replace(followed, path=low)])
    assert [c.order for c in found] == [0]


def test_an_inferred_bounce_that_is_vague_begins_a_serve_but_is_not_told(serve):
    # hidden until 0.1 s after the first bounce: from the flight that follows only
    flown, _ = serve
    first = flown.touches[0].time
    late = seen(CAMERA, flown, times_of(1.0, 1.9), np.random.default_rng(2))
    s = late.sightings
    keep = s.times > first + 0.1
    late = replace(
        late,
        frames=late.frames[keep],
        sightings=type(s)(s.times[keep], s.points[keep], s.covariances[keep]),
        measured=late.measured[keep],
        pictures=tuple(p for p, k in zip(late.pictures, keep, strict=True) if k),
        first_seen=float(s.times[keep][0]),
        path=replace(late.path, bounce_covariances=np.stack(
            [np.diag([0.3**2, 0.1**2]), late.path.bounce_covariances[1]])),
    )  # fmt: skip
    found = contacts_of(CALIBRATION, [late])
    assert [(c.vague, c.seen) for c in found] == [(True, False), (False, True)]
    assert serve_starts(found) == [0]
    bounces, serves = find_serves(CALIBRATION, [late])
    assert len(serves) == 1
    assert "first-bounce-hidden" in serves[0].flags
    assert serves[0].outcome == "good"
    assert [b.half for b in bounces] == ["receiver"]


def test_two_paths_with_one_bounce_give_it_once(serve):
    flown, _ = serve
    one = seen(CAMERA, flown, times_of(1.0, 1.45), np.random.default_rng(3))
    other = seen(CAMERA, flown, times_of(1.1, 1.60), np.random.default_rng(4))
    (only,) = contacts_of(CALIBRATION, [one, other])
    assert only.point == pytest.approx(flown.touches[0].place, abs=6e-3)


def test_pictures_that_show_no_ball_give_no_bounce(serve):
    _, followed = serve
    poor = replace(followed, measured=np.arange(len(followed.measured)) % 3 == 0)
    assert contacts_of(CALIBRATION, [poor]) == []
    assert contacts_of(CALIBRATION, []) == []


def contact(time, x, vx, *, out=None, was_seen=True) -> Contact:
    return Contact(
        0, 0, time, np.array([x, 0.0]), np.eye(2) * 1e-4, np.array([vx, 0.0, -2.0]),
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
