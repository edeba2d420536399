"""Two readings of one flight become one, and flights that follow on are joined."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from placement.doubles import _contradicted, _met, without_doubles
from placement.last_fit import fit_last
from placement.tracing import expected_of
from placement.trajectory import fit_path
from tests.placement.flown import DRAG, Flown, camera_beside, good_serve, seen, times_of

CAMERA = camera_beside()
EXPECT = expected_of(CAMERA)


def test_two_readings_of_one_flight_become_the_surer_one():
    rng, flown = np.random.default_rng(1), good_serve()
    whole = seen(CAMERA, flown, times_of(1.0, 1.9), rng)
    part = seen(CAMERA, flown, times_of(1.1, 1.7), rng)
    (kept,) = without_doubles(CAMERA, [part, whole], EXPECT)
    assert kept.path.n_bounces == 2
    for k, true in enumerate(flown.touches[:2]):
        assert kept.path.bounce_places[k] == pytest.approx(true.place, abs=5e-3)


def beginning_late(followed, time):
    """The same path, of which nothing was seen before `time`."""
    s = followed.sightings
    keep = s.times > time
    return replace(
        followed,
        frames=followed.frames[keep],
        sightings=type(s)(s.times[keep], s.points[keep], s.covariances[keep]),
        measured=followed.measured[keep],
        pictures=tuple(p for p, k in zip(followed.pictures, keep, strict=True) if k),
        first_seen=float(s.times[keep][0]),
    )


def test_the_path_that_met_the_first_bounce_is_kept_beside_a_longer_one_that_inferred_it():
    rng, flown = np.random.default_rng(7), good_serve()
    longer = beginning_late(seen(CAMERA, flown, times_of(1.0, 1.9), rng), 1.29)
    met = seen(CAMERA, flown, times_of(1.0, 1.45), rng)
    first = flown.touches[0].time
    assert met.first_seen < first < longer.first_seen
    shared = set(longer.frames.tolist()) & set(met.frames.tolist())
    assert len(shared) > 0.3 * len(met.frames)  # as many as two readings of one flight have
    assert len(longer.frames) > len(met.frames)
    kept = without_doubles(CAMERA, [longer, met], EXPECT)
    assert [p.first_seen for p in kept] == [met.first_seen, longer.first_seen]
    # a shorter one that met only what the longer one met as well tells nothing new
    second = seen(CAMERA, flown, times_of(1.3, 1.75), rng)
    assert second.path.n_bounces == 1
    (only,) = without_doubles(CAMERA, [longer, second], EXPECT)
    assert only is longer


def test_a_bounce_that_is_only_inferred_makes_no_path_the_surer_one():
    # both rest on the same pictures; the one with a bounce made up beyond its last sighting has
    # fewer of them
    rng, flown = np.random.default_rng(8), good_serve()
    one = seen(CAMERA, flown, times_of(1.0, 1.5), rng)
    two = seen(CAMERA, flown, times_of(1.0, 1.9), rng)
    s, n = two.sightings, 24  # to 1.4 s: before the second bounce
    led_on = replace(
        two, frames=two.frames[:n], measured=two.measured[:n], pictures=two.pictures[:n],
        sightings=type(s)(s.times[:n], s.points[:n], s.covariances[:n]),
        last_seen=float(s.times[n - 1]),
    )  # fmt: skip
    assert led_on.last_seen < two.path.bounce_times[1]
    kept = without_doubles(CAMERA, [led_on, one], EXPECT)
    assert kept[0] is one


def test_a_picture_of_the_bounce_itself_does_not_make_it_one_that_was_met():
    # of two readings, one begins a millisecond before a bounce that it only made up, and both have
    # as many pictures: it is the other that met its bounce
    rng, flown = np.random.default_rng(8), good_serve()
    met = seen(CAMERA, flown, times_of(1.0, 1.9), rng)
    frame = 12
    start = float(met.sightings.times[frame]) + 1e-3
    made_up = replace(
        met.path, bounce_times=np.array([start, float(met.path.bounce_times[1])]),
    )  # fmt: skip
    late = replace(met, path=made_up, first_seen=start - 1e-3)
    assert _met(met).tolist() == [True, True]
    assert _met(late).tolist() == [False, True]


def test_another_reading_of_the_same_pictures_has_no_bounce_in_the_air():
    # the longer path only inferred its first bounce; the other reads its pictures as from one later
    rng, flown = np.random.default_rng(7), good_serve()
    longer = beginning_late(seen(CAMERA, flown, times_of(1.0, 1.9), rng), 1.29)
    s, n = longer.sightings, 14
    time = longer.first_seen + 1e-3
    (at,) = longer.path.positions(np.array([time]))
    assert at[2] > 0.08  # m
    other = replace(
        longer, frames=longer.frames[:n], measured=longer.measured[:n],
        pictures=longer.pictures[:n],
        sightings=type(s)(s.times[:n], s.points[:n], s.covariances[:n]),
        last_seen=float(s.times[n - 1]),
        path=replace(
            longer.path, bounce_times=np.array([time]), bounce_places=at[None, :2] + 0.03,
            n_bounces=1,
        ),
    )  # fmt: skip
    (only,) = without_doubles(CAMERA, [longer, other], EXPECT)
    assert only is longer


def with_misfit(path, misfit):
    return replace(path, chi2=misfit**2 * (2.0 * path.n_sightings - 6.0))


def test_a_bounce_where_a_far_closer_fit_has_the_ball_in_the_air_is_no_news():
    # the toss is fitted closely; a looser reading of its pictures made a bounce of its beginning
    rng = np.random.default_rng(9)
    tossed = Flown().leg(1.0, (-1.0, 0.1, 0.25), (0.0, 0.0, 2.6), 1.75)
    toss = seen(CAMERA, tossed, times_of(1.0, 1.74), rng)
    toss = replace(toss, path=with_misfit(toss.path, 0.6))
    bounced = Flown().leg(0.9, (-1.25, 0.1, 0.3), (2.0, 0.0, -0.4), 1.75)
    other = seen(CAMERA, bounced, times_of(0.9, 1.74), rng)
    assert toss.first_seen < other.path.bounce_times[0] < toss.last_seen
    assert other.path.bounce_times[0] < toss.path.bounce_times[0] - 0.1  # else it is no news anyway
    keep = np.arange(len(other.frames)) < len(toss.frames) - 8
    # it rests on the toss's pictures for the most part
    loose = replace(
        other, frames=other.frames[keep], measured=other.measured[keep],
        pictures=toss.pictures[: keep.sum()], path=with_misfit(other.path, 1.9),
        sightings=type(other.sightings)(*(getattr(other.sightings, n)[keep] for n in
                                          ("times", "points", "covariances"))),
    )  # fmt: skip
    (kept,) = without_doubles(CAMERA, [loose, toss], EXPECT)
    assert kept is toss
    # as close a fit may well know of a bounce that the other did not see
    close = replace(loose, path=with_misfit(loose.path, 0.8))
    assert any(p is close for p in without_doubles(CAMERA, [close, toss], EXPECT))


def test_what_seems_to_fly_beside_the_ball_and_fits_poorly_is_none():
    # of other pictures, with a bounce while the ball flies a metre off: a sleeve at the film's end
    rng = np.random.default_rng(11)
    flown = good_serve()
    ball = seen(CAMERA, flown, times_of(1.0, 1.9), rng)
    other = seen(CAMERA, flown, times_of(1.0, 1.45), rng)
    aside = replace(
        other, pictures=tuple((c, m + 7) for c, m in other.pictures),
        path=replace(other.path, bounce_places=other.path.bounce_places + np.array([1.0, 0.0])),
    )  # fmt: skip
    loose = replace(aside, path=with_misfit(aside.path, 2.1))
    (kept,) = without_doubles(CAMERA, [ball, loose], EXPECT)
    assert kept is ball
    # as close a fit is another ball's: of the serve before, where many are struck
    close = replace(aside, path=with_misfit(aside.path, 1.0))
    assert len(without_doubles(CAMERA, [ball, close], EXPECT)) == 2


def test_a_flight_that_follows_on_is_joined():
    rng, flown = np.random.default_rng(2), good_serve()
    first = seen(CAMERA, flown, times_of(1.0, 1.45), rng)
    second = seen(CAMERA, flown, times_of(1.47, 1.95), rng)
    (joined,) = without_doubles(CAMERA, [second, first], EXPECT)
    assert joined.path.n_bounces == 2
    assert (joined.first_seen, joined.last_seen) == (first.first_seen, second.last_seen)
    assert len(joined.frames) == len(first.frames) + len(second.frames)
    for k, true in enumerate(flown.touches[:2]):
        assert joined.path.bounce_times[k] == pytest.approx(true.time, abs=2e-3)
        assert joined.path.bounce_places[k] == pytest.approx(true.place, abs=5e-3)


def test_the_paths_of_two_serves_stay_two():
    rng = np.random.default_rng(3)
    paths = [seen(CAMERA, good_serve(b), times_of(b, b + 0.9), rng) for b in (4.0, 1.0)]
    kept = without_doubles(CAMERA, paths, EXPECT)
    assert [p.first_seen for p in kept] == [1.0, 4.0]


def test_a_stroke_is_not_joined_over():
    # the ball is hit back soon after its bounce: no single flight explains both
    rng, flown = np.random.default_rng(4), good_serve(until=0.80)
    at = flown.at(np.array([1.80]))[0]
    flown.leg(1.80, at, (-6.0, 0.5, 0.5), 2.5)
    serve = seen(CAMERA, flown, times_of(1.0, 1.79), rng)
    back = seen(CAMERA, flown, times_of(1.81, 2.45), rng)
    assert [p.path.n_bounces for p in without_doubles(CAMERA, [serve, back], EXPECT)] == [2, 1]


def test_no_path_stays_none():
    assert without_doubles(CAMERA, []) == []
    assert fit_last(CAMERA, [], EXPECT) == []


def test_the_last_fit_learns_from_the_whole_film():
    # a hall with thinner air than expected, drag less by a tenth: from each path alone it hardly
    # shows; together they tell, and what is said of each is narrower and still right
    rng = np.random.default_rng(5)
    paths = []
    for k in range(6):
        flown = Flown(drag=0.9 * DRAG).leg(
            3.0 * k, (-1.57, 0.05 * k, 0.30), (4.2 + 0.15 * k, 0.2, 0.0), 3.0 * k + 0.95
        )
        paths.append(seen(CAMERA, flown, times_of(*flown.span), rng))
    last = fit_last(CAMERA, paths, EXPECT)
    assert [p.first_seen for p in last] == [p.first_seen for p in paths]
    drag = np.array([[p.path.theta[10], np.sqrt(p.path.covariance[10, 10])] for p in last])
    before = np.array([[p.path.theta[10], np.sqrt(p.path.covariance[10, 10])] for p in paths])
    assert (drag[:, 1] < before[:, 1]).all()
    truth = 0.9 * 0.45
    assert np.abs(drag[:, 0] - truth).mean() < np.abs(before[:, 0] - truth).mean()
    assert (np.abs(drag[:, 0] - truth) < 3 * drag[:, 1]).all()


def test_a_last_fit_that_fits_worse_is_not_taken():
    flown = good_serve()
    path = seen(CAMERA, flown, times_of(1.0, 1.9), np.random.default_rng(6))
    # told that nothing brakes the ball, no fit comes near the pictures
    strange = replace(EXPECT, drag=(0.16, 1e-4), rub=(0.0, 1e-4), restitution=(0.9, 1e-4))
    (last,) = fit_last(CAMERA, [path], strange)
    assert last.path is path.path


def test_what_shows_no_ball_before_all_that_does_says_nothing_of_the_first_bounce():
    # two candidates of a hand, 12 px beside the way to the bounce; none shows the ball there
    flown = good_serve()
    first = flown.touches[0]
    whole = seen(CAMERA, flown, times_of(1.0, 1.9), np.random.default_rng(17))
    s = whole.sightings
    hand = (s.times < first.time - 0.02) & (s.times > first.time - 0.055)
    keep = hand | (s.times > first.time)
    assert hand.sum() == 2
    wide = np.where(hand[:, None, None], 1.5**2 / 0.25**2, 1.0) * s.covariances
    mixed = type(s)(s.times, s.points + np.where(hand[:, None], [-12.0, 0.0], 0.0), wide)
    mixed = type(s)(mixed.times[keep], mixed.points[keep], mixed.covariances[keep])
    path = fit_path(CAMERA, mixed, whole.path.theta, 2, EXPECT)
    followed = replace(
        whole, path=path, sightings=mixed, frames=whole.frames[keep], measured=~hand[keep],
        pictures=tuple(p for p, k in zip(whole.pictures, keep, strict=True) if k),
        first_seen=float(mixed.times[0]),
    )  # fmt: skip
    (last,) = fit_last(CAMERA, [followed], EXPECT)
    assert last.first_seen > first.time
    assert last.measured.all()
    off = last.path.bounce_places[0] - first.place
    assert off @ np.linalg.solve(last.path.bounce_covariances[0], off) < 9.21  # chi-square, 99 %
    # all is kept where the last fit is not taken
    strange = replace(EXPECT, rub=(0.0, 1e-4), restitution=(0.5, 1e-4), speed=(0.0, 0.1))
    assert fit_last(CAMERA, [followed], strange) == [followed]
    # and so it is with a second picture of the ball before the bounce
    shown = replace(followed, measured=np.ones(len(mixed.times), bool))
    assert fit_last(CAMERA, [shown], EXPECT)[0].first_seen == followed.first_seen


@pytest.mark.parametrize(("shared", "contradicted"), [(0.2, False), (0.5, True)])
def test_a_closer_fit_to_many_of_the_same_pictures_says_where_the_ball_was(shared, contradicted):
    # a flight seen as a nearer one: its bounce lies where the surer path has the ball elsewhere
    rng, flown = np.random.default_rng(11), good_serve()
    surer = seen(CAMERA, flown, times_of(1.0, 1.9), rng)
    surer = replace(surer, path=with_misfit(surer.path, 1.0))
    between = float(np.mean(surer.path.bounce_times[:2]))
    path = replace(
        with_misfit(surer.path, 1.5), bounce_times=np.array([between]), n_bounces=1,
        bounce_places=surer.path.positions(np.array([between]))[:, :2] + 0.3,
    )  # fmt: skip
    assert _contradicted(surer, replace(surer, path=path), shared).tolist() == [contradicted]


@pytest.mark.parametrize(("later_s", "told"), [(0.02, 1), (0.2, 2)])
def test_a_flight_that_begins_where_the_ball_was_not_began_with_a_stroke(later_s, told):
    # seen from its bounce on; just before, the ball was a metre from there
    rng = np.random.default_rng(13)
    first = seen(CAMERA, good_serve(), times_of(1.0, 1.9), rng)
    begin = first.last_seen + later_s - (good_serve().touches[0].time - 1.0)
    flown = good_serve(begin)
    bounce = flown.touches[0].time
    then = beginning_late(seen(CAMERA, flown, times_of(begin, begin + 0.6), rng), bounce)
    assert then.path.n_bounces == 1
    assert len(without_doubles(CAMERA, [first, then], EXPECT)) == told


def test_a_bounce_that_a_toss_would_have_met_is_none_once_the_ball_was_struck():
    # drawn on, the toss falls onto the table; but 50 ms before, the ball is seen on another way
    rng = np.random.default_rng(14)
    tossed = Flown().leg(0.6, (-1.25, 0.1, 0.2), (0.0, 0.0, 2.5), 1.5)
    whole = seen(CAMERA, tossed, times_of(0.6, 1.4), rng, n=1)
    bounce = whole.path.bounce_times[0]
    s, n = whole.sightings, int((whole.sightings.times < bounce - 0.08).sum())
    toss = replace(
        whole, frames=whole.frames[:n], measured=whole.measured[:n], pictures=whole.pictures[:n],
        sightings=type(s)(s.times[:n], s.points[:n], s.covariances[:n]),
        last_seen=float(s.times[n - 1]),
    )  # fmt: skip
    begin = toss.last_seen + 0.005
    served = Flown().leg(begin, tossed.at(np.array([begin]))[0], (5.0, 0.3, -1.0), begin + 0.9)
    serve = seen(CAMERA, served, times_of(begin, begin + 0.8), rng)
    assert toss.last_seen < serve.first_seen < bounce - 0.05
    (only,) = without_doubles(CAMERA, [toss, serve], EXPECT)
    assert only is serve
    # a ball that comes into sight farther off is another one
    shift = float(np.ptp(serve.sightings.points[:, 0]))
    aside = replace(serve.sightings, points=serve.sightings.points + np.array([shift, 0.0]))
    assert len(without_doubles(CAMERA, [toss, replace(serve, sightings=aside)], EXPECT)) == 2


def test_a_ball_that_drops_off_the_net_makes_no_bounce_of_the_flight_before():
    # all that seems to rise from a bounce of the flight is seen, for longer, to hang about there
    rng, flown = np.random.default_rng(15), good_serve()
    bounce = flown.touches[0].time
    flight = seen(CAMERA, flown, times_of(1.0, bounce + 0.05), rng)
    assert 2 <= (flight.sightings.times > bounce).sum() <= 3
    begin = float(flight.sightings.times[flight.sightings.times > bounce][0]) - 0.01
    place = flown.at(np.array([begin]))[0] + [0.0, 0.0, 0.1]
    off = Flown().leg(begin, place, (0.5, 0.1, 0.0), begin + 0.8)
    drop = seen(CAMERA, off, times_of(begin, begin + 0.7), rng)
    (only,) = without_doubles(CAMERA, [flight, drop], EXPECT)
    assert only is drop
    # one picture of its own shows it beyond its bounce
    *rest, (last, _) = flight.pictures
    own = replace(flight, pictures=(*rest, (last, 1)))
    assert len(without_doubles(CAMERA, [own, drop], EXPECT)) == 2
