"""Which bounces of paths count."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from placement.contacts import contacts_of
from placement.serve_starts import serve_starts
from placement.serves import find_serves
from tests.placement.flown import RATE, Flown, calibrated, camera_beside, good_serve, seen, times_of

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


def from_on(followed, time):
    """The same path, of which nothing was seen before `time`."""
    return shown(followed, followed.sightings.times > time)


def shown(followed, keep):
    """The same path, seen only where `keep` says so."""
    s = followed.sightings
    return replace(
        followed,
        frames=followed.frames[keep],
        sightings=type(s)(s.times[keep], s.points[keep], s.covariances[keep]),
        measured=followed.measured[keep],
        pictures=tuple(p for p, k in zip(followed.pictures, keep, strict=True) if k),
        first_seen=float(s.times[keep][0]),
        last_seen=float(s.times[keep][-1]),
    )


def struck_low(early_s):
    """A flight struck 8 cm over the table, and the next, which seems to bounce that much before."""
    rng = np.random.default_rng(4)
    coming = Flown().leg(1.0, (1.57, 0.0, 0.30), (-4.5, 0.0, 0.0), 1.9)
    struck = coming.touches[1].time - 0.03
    (at,) = coming.at(np.array([struck]))
    back = struck - early_s
    going = Flown().leg(back - 0.1, (at[0] - 0.57, 0.0, 0.249), (4.6, 0.0, -1.8), back + 0.7)
    before = seen(CAMERA, coming, times_of(1.0, struck), rng)
    after = from_on(seen(CAMERA, going, times_of(back - 0.1, back + 0.65), rng), struck)
    return before, after


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
    # the same flight, lower: it would cross the net's plane 4 cm deeper, below the top (15.25 cm,
    # Law 2.2.3), where the net is
    _, followed = serve
    theta = followed.path.theta.copy()
    theta[12] -= 0.19
    low = replace(followed.path, theta=theta)
    found = contacts_of(CALIBRATION, [replace(followed, path=low)])
    assert [c.order for c in found] == [0]


def test_an_inferred_bounce_that_is_vague_begins_a_serve_but_is_not_told(serve):
    # hidden until 0.1 s after the first bounce: from the flight that follows only
    flown, _ = serve
    first = flown.touches[0].time
    late = from_on(seen(CAMERA, flown, times_of(1.0, 1.9), np.random.default_rng(2)), first + 0.1)
    spread = np.stack([np.diag([0.3**2, 0.1**2]), late.path.bounce_covariances[1]])
    late = replace(late, path=replace(late.path, bounce_covariances=spread))
    found = contacts_of(CALIBRATION, [late])
    assert [(c.vague, c.seen) for c in found] == [(True, False), (False, True)]
    assert serve_starts(found) == [0]
    bounces, serves = find_serves(CALIBRATION, [late])
    assert len(serves) == 1
    assert "first-bounce-hidden" in serves[0].flags
    assert serves[0].outcome == "good"
    assert [b.half for b in bounces] == ["receiver"]


def test_a_bounce_that_was_not_seen_but_may_have_been_just_before_begins_a_serve(serve):
    # the ball comes out from behind the server at the very bounce; when it was is told vaguely
    flown, _ = serve
    first = flown.touches[0].time
    late = from_on(seen(CAMERA, flown, times_of(1.0, 1.9), np.random.default_rng(2)), first)
    assert late.first_seen - first < 0.02  # s: not hidden for long, and yet unseen
    spread = np.stack([np.diag([0.3**2, 0.1**2]), late.path.bounce_covariances[1]])
    late = replace(late, path=replace(late.path, bounce_covariances=spread))
    found = contacts_of(CALIBRATION, [late])
    assert [(c.vague, c.seen) for c in found] == [(True, False), (False, True)]
    assert serve_starts(found) == [0]


def test_a_path_that_no_table_gives_has_no_bounces(serve):
    # a ball dropped from 305 mm rises 240 to 260 mm (equipment rules; from memory): it keeps 0.89
    # to 0.92 of its speed, and what gains some was thrown
    _, followed = serve
    theta = followed.path.theta.copy()
    theta[12] = 1.2
    thrown = replace(followed.path, theta=theta)
    assert contacts_of(CALIBRATION, [replace(followed, path=thrown)]) == []


@pytest.mark.parametrize(
    ("restitution", "rub", "n", "counts"),
    [
        (0.71, 0.40, 1, False),  # five deviations off, and three more: a toss and a stroke
        (0.85, 0.10, 1, True),
        (0.71, 0.40, 2, True),  # a second one that was seen well says that a ball flew here
    ],
)
def test_an_odd_bounce_that_no_other_bears_out_does_not_count(serve, restitution, rub, n, counts):
    # restitution 0.89 to 0.93 and no unexplained change of speed: from memory of the literature
    _, followed = serve
    whole = followed.path
    part = shown(followed, followed.sightings.times < (1.5 if n == 1 else 2.0))
    theta = whole.theta[: 12 + 3 * n].copy()
    theta[12:15] = restitution, rub, 0.0
    path = replace(
        whole, theta=theta, n_bounces=n, bounce_times=whole.bounce_times[:n],
        bounce_places=whole.bounce_places[:n], bounce_covariances=whole.bounce_covariances[:n],
    )  # fmt: skip
    found = contacts_of(CALIBRATION, [replace(part, path=path)])
    assert any(c.order == 0 for c in found) is counts


def test_a_stroke_that_ends_a_path_leaves_the_bounces_before_it():
    flown = Flown().leg(1.0, (-1.3, 0.1, 0.35), (0.9, 0.0, 0.0), 2.3)
    assert len(flown.touches) == 3
    whole = seen(CAMERA, flown, times_of(1.0, 2.3), np.random.default_rng(5))
    theta = whole.path.theta.copy()
    theta[12 + 3 * 2 + 1] = 1.5  # m/s that the third takes along the table, beyond friction
    path = replace(whole.path, theta=theta)
    found = contacts_of(CALIBRATION, [replace(whole, path=path)])
    assert [c.order for c in found] == [0, 1]


def test_a_ball_that_hardly_falls_does_not_bounce(serve):
    # 0.37 m/s is a fall of 7 mm: it rolls, or lies in a hand
    alone = Flown().leg(1.0, (-0.9, 0.1, 0.02 + 0.007), (1.0, 0.0, 0.0), 1.13)
    followed = seen(CAMERA, alone, times_of(1.0, 1.13), np.random.default_rng(3))
    assert followed.path.model().incoming[0][0, 2] == pytest.approx(-0.4, abs=0.07)
    assert contacts_of(CALIBRATION, [followed]) == []
    higher = Flown().leg(1.0, (-0.9, 0.1, 0.02 + 0.08), (1.0, 0.0, 0.0), 1.3)
    followed = seen(CAMERA, higher, times_of(1.0, 1.3), np.random.default_rng(3))
    assert len(contacts_of(CALIBRATION, [followed])) == 1


def test_a_serve_struck_just_after_the_toss_was_last_seen_keeps_its_first_bounce(serve):
    # the toss ends at the bat, 0.07 s before the bounce and half a metre from it
    flown, followed = serve
    first = flown.touches[0].time
    struck = from_on(followed, first - 0.062)
    assert 2 <= (struck.sightings.times < first).sum() <= 4
    met = struck.path.positions(np.array([first - 0.07]))[0]
    speed = np.array([0.0, 0.0, -2.0])
    since = -0.4
    above = met + speed * since + np.array([0, 0, -9.81]) * since**2 / 2
    toss = Flown().leg(
        first - 0.47, tuple(above), tuple(speed - np.array([0, 0, -9.81]) * 0.4), first + 0.5
    )
    tossed = seen(CAMERA, toss, times_of(first - 0.47, first + 0.5), np.random.default_rng(5))
    ended = replace(tossed, last_seen=first - 0.07)
    found = contacts_of(CALIBRATION, [ended, struck])
    assert [c.order for c in found if c.path == 1] == [0, 1]
    # nor does another thing that was in the air then part the two
    elsewhere = Flown().leg(first - 0.3, (-0.5, 0.4, 0.6), (0.0, 0.0, -1.0), first + 0.6)
    strange = seen(CAMERA, elsewhere, times_of(first - 0.3, first + 0.6), np.random.default_rng(6))
    strange = replace(strange, last_seen=first - 0.068)
    assert 0 in [c.order for c in contacts_of(CALIBRATION, [ended, strange, struck]) if c.path == 2]
    # alone it does: the ball was there, and was struck, and did not bounce
    assert 0 not in [c.order for c in contacts_of(CALIBRATION, [strange, struck]) if c.path == 1]
    # unless it hardly flies like a ball
    ragged = replace(strange, path=replace(strange.path, chi2=25 * strange.path.chi2))
    assert 0 in [c.order for c in contacts_of(CALIBRATION, [ragged, struck]) if c.path == 1]


def test_what_was_in_the_air_out_of_reach_does_not_part_a_flight_from_its_bounce(serve):
    # a ball of another table, last seen 70 ms before the bounce and metres from it
    flown, followed = serve
    first = flown.touches[0].time
    struck = from_on(followed, first - 0.062)
    other = Flown().leg(first - 0.3, (-0.5, 0.4, 0.6), (0.0, 0.0, -1.0), first + 0.6)
    near = seen(CAMERA, other, times_of(first - 0.3, first + 0.6), np.random.default_rng(6))
    for across, counts in ((0.0, False), (4.0, True)):
        strange = moved(near, shift=np.array([0.0, 0.0, across]))
        strange = replace(strange, last_seen=first - 0.068)
        orders = [c.order for c in contacts_of(CALIBRATION, [strange, struck]) if c.path == 1]
        assert (0 in orders) is counts


def test_a_toss_that_shares_a_picture_with_the_serve_is_the_same_balls(serve):
    # along the line of sight both are unsure: the toss seems to end 25 cm from where the serve is
    flown, followed = serve
    first = flown.touches[0].time
    struck = from_on(followed, first - 0.062)
    last = float(struck.sightings.times[0])
    met = struck.path.positions(np.array([last]))[0]
    met = met + 0.25 * (met - CAMERA.centre) / np.linalg.norm(met - CAMERA.centre)
    fall, ago = np.array([0.0, 0.0, -9.81]), 0.4
    above = met + np.array([0, 0, 2.0]) * ago + fall * ago**2 / 2
    toss = Flown().leg(last - ago, tuple(above), tuple(np.array([0, 0, -2.0]) - fall * ago), 2.0)
    tossed = seen(CAMERA, toss, times_of(last - ago, last + 0.4), np.random.default_rng(5))
    ended = replace(tossed, last_seen=last)
    apart = replace(shown(ended, ended.sightings.times < last - 1e-3), last_seen=last)
    apart = replace(apart, pictures=tuple((c, 1) for c, _ in apart.pictures))
    for one, counts in ((apart, False), (ended, True)):
        orders = [c.order for c in contacts_of(CALIBRATION, [one, struck]) if c.path == 1]
        assert (0 in orders) is counts


def test_two_balls_in_one_frame_are_two(serve):
    # another ball, 25 cm beside the serve's, in the frame that shows this first
    flown, followed = serve
    first = flown.touches[0].time
    struck = from_on(followed, first - 0.062)
    last = float(struck.sightings.times[0])
    beside = struck.path.positions(np.array([last]))[0] + [0.0, 0.25, 0.05]
    fall, ago = np.array([0.0, 0.0, -9.81]), 0.3
    speed = np.array([0.0, 0.0, -1.0])
    begin = beside - speed * ago + fall * ago**2 / 2
    other = Flown().leg(last - ago, tuple(begin), tuple(speed - fall * ago), last + 0.4)
    whole = seen(CAMERA, other, times_of(last - ago, last + 0.35), np.random.default_rng(8))
    whole = replace(whole, pictures=tuple((c, 1) for c, _ in whole.pictures))
    for until, counts in ((last - 1e-3, False), (last + 1e-3, True)):
        other = replace(shown(whole, whole.sightings.times < until), last_seen=last)
        assert (other.pictures[-1][0].frame == struck.pictures[0][0].frame) is counts
        orders = [c.order for c in contacts_of(CALIBRATION, [other, struck]) if c.path == 1]
        assert (0 in orders) is counts


def test_a_flight_that_seems_to_go_on_past_the_next_ones_bounce_is_compared_all_the_same(serve):
    # it was last seen 25 ms after the bounce that the next flight seems to come from
    flown, followed = serve
    first = flown.touches[0].time
    struck = from_on(followed, first + 0.02)
    x, y = flown.touches[0].place
    low = Flown().leg(first - 0.3, (x - 0.3, y, 0.16), (1.0, 0.0, 1.2), first + 0.5)
    other = seen(CAMERA, low, times_of(first - 0.3, first + 0.5), np.random.default_rng(7))
    late = replace(other, last_seen=float(struck.path.bounce_times[0]) + 0.025)
    assert contacts_of(CALIBRATION, [late, struck])


def test_at_30_frames_a_second_a_flight_goes_on_for_a_frame_into_the_next_one():
    # struck 8 cm high; drawn back, the next flight meets the table just over a frame before
    before, after = struck_low(0.034)
    every_other = np.arange(len(after.measured)) % 2 == 0
    late = replace(before, last_seen=float(after.path.bounce_times[0]) + 0.032)
    thirty = shown(after, every_other)
    orders = [
        [c.order for c in contacts_of(CALIBRATION, [late, path]) if c.path == 1]
        for path in (after, thirty)
    ]
    assert orders == [[0, 1], [1]]


@pytest.mark.parametrize(("looks", "orders"), [("a ball", [0, 1]), ("no ball", [1])])
def test_a_bounce_about_which_all_that_is_seen_is_no_ball_is_only_guessed(serve, looks, orders):
    _, followed = serve
    away = np.abs(followed.sightings.times - followed.path.bounce_times[0])
    measured = (away > 0.085) | (looks == "a ball")
    path = replace(followed, measured=measured)
    assert [c.order for c in contacts_of(CALIBRATION, [path])] == orders
    # behind a player nothing is seen at all, and that speaks against no bounce
    assert [c.order for c in contacts_of(CALIBRATION, [shown(path, measured)])] == [0, 1]


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


def test_a_ball_that_touched_the_net_keeps_its_landing_and_gets_no_bounce_before_the_net():
    # 155 mm high at the net its lowest point is below the top (152.5 mm, Law 2.2.3)
    served = Flown().leg(1.0, (-1.57, 0.1, 0.23), (4.5, 0.0, 0.0), 1.46)
    first = seen(CAMERA, served, times_of(1.0, 1.44), np.random.default_rng(1))
    # what follows, slower, was fitted with a bounce before the net, and through it
    dropped = Flown().leg(1.2, (-0.42, 0.1, 0.2), (2.2, 0.0, -0.5), 1.85)
    whole = seen(CAMERA, dropped, times_of(1.2, 1.85), np.random.default_rng(2))
    after_net = float(times_of(1.2, 1.6)[dropped.at(times_of(1.2, 1.6))[:, 0] > 0][0])
    drawn_back = from_on(whole, after_net - 1e-3)
    assert drawn_back.path.bounce_places[0, 0] < -0.06  # m
    found = contacts_of(CALIBRATION, [first, drawn_back])
    assert [(c.path, c.order, c.half) for c in found] == [(0, 0, -1), (1, 1, 1)]
    assert found[0].point == pytest.approx(served.touches[0].place, abs=0.01)
    assert found[1].point == pytest.approx(dropped.touches[1].place, abs=0.01)
    assert found[1].seen
    # of a path that ended elsewhere, or long before, nothing is said of the net
    early = Flown().leg(0.2, (-1.57, 0.1, 0.23), (4.5, 0.0, 0.0), 0.66)
    other = seen(CAMERA, early, times_of(0.2, 0.64), np.random.default_rng(3))
    assert [c.path for c in contacts_of(CALIBRATION, [other, drawn_back])] == [0, 1, 1]
    # and a ball that was seen to bounce before it flew through the net did not fly so
    assert [c.order for c in contacts_of(CALIBRATION, [whole])] == [0]


@pytest.mark.parametrize(
    ("place", "believed"),
    [
        # the camera stands 2.9 m and 2.7 m to the negative side: the far edges are the positive
        pytest.param((1.28, 0.0), False, id="at-the-far-end"),
        pytest.param((0.3, 0.70), False, id="at-the-far-side"),
        pytest.param((1.15, 0.0), True, id="well-inside-the-far-end"),
        pytest.param((-1.28, 0.0), True, id="at-the-near-end"),
        pytest.param((0.3, -0.70), True, id="at-the-near-side"),
    ],
)
def test_a_ball_that_comes_into_sight_beyond_the_far_edge_may_not_have_bounced(
    serve, place, believed
):
    _, followed = serve
    shift = np.array([0.0, *(np.array(place) - followed.path.bounce_places[0])])
    there = moved(followed, shift=shift)
    assert there.path.bounce_places[0] == pytest.approx(np.array(place), abs=1e-9)
    first = float(there.path.bounce_times[0])
    rising = [c for c in contacts_of(CALIBRATION, [from_on(there, first)]) if c.order == 0]
    assert bool(rising) is believed
    # where it was seen to fall before, it did bounce there
    assert contacts_of(CALIBRATION, [there])[0].order == 0


@pytest.mark.parametrize(("for_s", "told"), [(0.15, False), (0.35, True)])
def test_a_bounce_that_a_short_flight_alone_tells_is_not_believed(serve, for_s, told):
    _, followed = serve
    first = float(followed.path.bounce_times[0])
    whole = followed.path
    path = replace(
        whole,
        theta=whole.theta[:15],
        covariance=whole.covariance[:15, :15],
        n_bounces=1,
        bounce_times=whole.bounce_times[:1],
        bounce_places=whole.bounce_places[:1],
        bounce_covariances=whole.bounce_covariances[:1],
    )
    times = followed.sightings.times
    after = shown(replace(followed, path=path), (times > first) & (times < first + for_s))
    assert bool(contacts_of(CALIBRATION, [after])) is told


@pytest.mark.parametrize(
    ("before", "sd", "told"), [(0.05, 0.1, True), (0.01, 0.1, False), (0.01, 0.01, True)]
)
def test_an_unsure_bounce_with_nothing_seen_after_it_needs_one_that_was(serve, before, sd, told):
    # seen to within a hundredth of a second of its first bounce, the flight might begin at a bat
    _, followed = serve
    first, second = followed.path.bounce_times
    times = followed.sightings.times
    between = shown(followed, (times > first - before) & (times < second))
    covariances = between.path.bounce_covariances.copy()
    covariances[1] = np.diag([sd**2, 1e-6])
    unsure = replace(between, path=replace(between.path, bounce_covariances=covariances))
    assert any(c.order == 1 for c in contacts_of(CALIBRATION, [unsure])) is told


@pytest.fixture(scope="module")
def short():
    """A serve left to bounce twice on the receiver's half."""
    flown = Flown().leg(1.0, (-1.57, 0.0, 0.30), (4.0, 0.2, 0.0), 2.3)
    return flown, seen(CAMERA, flown, times_of(1.0, 2.15), np.random.default_rng(1))


def test_a_second_bounce_that_was_not_seen_to_rise_may_have_been_caught(short):
    flown, followed = short
    third = flown.touches[2]
    assert third.place[0] < 1.3  # on the table
    assert [c.order for c in contacts_of(CALIBRATION, [followed])] == [0, 1, 2]
    # the receiver's hand is where the ball falls to: the last picture is a frame before the bounce
    caught = shown(followed, followed.sightings.times < third.time)
    assert third.time - caught.last_seen < 1.2 / RATE
    assert [c.order for c in contacts_of(CALIBRATION, [caught])] == [0, 1]
    # nobody's hand is where it bounces first: there it was hidden
    hidden = shown(followed, followed.sightings.times < flown.touches[1].time)
    assert 1 in [c.order for c in contacts_of(CALIBRATION, [hidden])]


def test_a_ball_played_before_its_second_bounce_did_not_bounce(short):
    flown, followed = short
    third = flown.touches[2]
    # struck 30 ms before it meets the table; two pictures of it going back fit the old path too
    struck = third.time - 0.03
    (at,) = flown.at(np.array([struck]))
    back = Flown().leg(struck, (*at[:2], max(at[2], 0.05)), (-4.0, 0.2, 1.6), struck + 0.6)
    going = seen(CAMERA, back, times_of(struck + 0.005, struck + 0.55), np.random.default_rng(2))
    times = followed.sightings.times
    rest = shown(followed, (times < struck) | (np.abs(times - third.time - 0.05) < 0.012))
    assert (rest.sightings.times > third.time).any()
    found = contacts_of(CALIBRATION, [rest, going])
    assert [c.order for c in found if c.path == 0] == [0, 1]
    # without the other way it did
    assert [c.order for c in contacts_of(CALIBRATION, [rest])] == [0, 1, 2]
    # a path that ends before the bounce says nothing of it, nor one of another ball
    other = replace(going, last_seen=third.time - 0.01)
    assert [c.order for c in contacts_of(CALIBRATION, [rest, other]) if c.path == 0] == [0, 1, 2]


@pytest.mark.parametrize(("y", "believed"), [(-0.60, True), (-0.74, False), (0.74, False)])
def test_a_ball_last_seen_above_the_tables_edge_may_have_fallen_past_it(serve, y, believed):
    _, followed = serve
    there = moved(followed, shift=np.array([0.0, 0.0, y - followed.path.bounce_places[1, 1]]))
    last = float(there.path.bounce_times[1])
    assert there.path.bounce_places[1, 1] == pytest.approx(y, abs=1e-5)
    falling = shown(there, there.sightings.times < last)
    assert any(c.order == 1 for c in contacts_of(CALIBRATION, [falling])) is believed
    # a single picture more does not show it to rise
    just = shown(there, there.sightings.times < last + 0.018)
    assert any(c.order == 1 for c in contacts_of(CALIBRATION, [just])) is believed
    # where it was seen to rise again, it did bounce there
    assert any(c.order == 1 for c in contacts_of(CALIBRATION, [there]))


@pytest.mark.parametrize(("late_s", "counts"), [(0.0, True), (0.08, False)])
def test_a_bounce_on_the_way_from_the_net_that_showed_no_ball_does_not_count(serve, late_s, counts):
    # nothing was seen of the flight over the net; what lies where the path rises from the table
    # looks like a ball only some time after: an arm, and then a toss
    _, followed = serve
    there = moved(followed, shift=np.array([0.0, *([1.15, 0.0] - followed.path.bounce_places[0])]))
    first = float(there.path.bounce_times[0])
    rising = from_on(there, first)
    rising = replace(rising, measured=rising.sightings.times > first + late_s)
    assert any(c.order == 0 for c in contacts_of(CALIBRATION, [rising])) is counts
    # where it was seen to come from beyond the net, an arm may have hidden it
    coming = from_on(followed, followed.first_seen)
    coming = replace(coming, first_seen=first - 0.4, last_seen=first - 0.1)
    assert any(c.path == 0 and c.order == 0 for c in contacts_of(CALIBRATION, [rising, coming]))


def test_a_stroke_close_over_the_table_is_no_bounce_though_the_flight_before_seems_to_go_on():
    # struck 8 cm high, before it falls to the table; drawn back, the flight that follows meets the
    # table 28 ms before the stroke, while the flight before still went on
    before, after = struck_low(0.028)
    late = before.last_seen - float(after.path.bounce_times[0])
    assert 0 < late < 0.03  # s: a frame or two
    found = contacts_of(CALIBRATION, [before, after])
    assert [(c.path, c.order) for c in found] == [(0, 0), (1, 1)]
    # alone, nothing speaks against it
    assert [c.order for c in contacts_of(CALIBRATION, [after])] == [0, 1]
