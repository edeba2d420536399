"""Films that play slower than they were filmed: gravity tells, and times stay the file's."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from placement.pipeline import analyse
from placement.reading import Film, read_sights
from placement.settings import Settings
from placement.timing import (
    FactorSearch,
    find_factor,
    hinted_factor,
    likely_factors,
    played_at,
    retimed,
    slow_motion_note,
    stretched,
)
from placement.video import probe_clip
from tests.placement import flown
from tests.placement.clips import restamped
from tests.placement.made import made_analysis

SAMPLE = Path(__file__).resolve().parents[2] / "sample_frames" / "sample_drill.mp4"
FACTOR = 2  # 60 pictures a second, stored to be played at 30


@pytest.mark.parametrize("factor", [1.0, 4.0])
def test_gravity_tells_the_factor(factor):
    """Balls flown by SciPy under gravity and seen 60 times a second, stamped anew."""
    camera, rng = flown.camera_beside(), np.random.default_rng(3)
    search = FactorSearch(camera, flown.RATE / factor, (1.0, 2.0, 4.0))
    for n in range(2):
        serve = flown.good_serve(1.0 + 2 * n, y=0.3 * n - 0.2)
        times = flown.times_of(0.7 + 2 * n, 2.2 + 2 * n)
        frames, _ = flown.candidates(camera, serve, times, rng, clutter=4)
        for f in sorted(frames):
            search.push(retimed(frames[f], 1 / factor))
    assert search.finish() == factor
    assert sum(n for k, n in search.bounces.items() if k != factor) == 0


def test_without_a_ball_no_factor_is_clear():
    camera, rng = flown.camera_beside(), np.random.default_rng(3)
    search = FactorSearch(camera, 30.0, (1.0, 2.0, 4.0))
    frames, _ = flown.candidates(camera, None, flown.times_of(0.0, 1.0), rng, clutter=6)
    for f in sorted(frames):
        search.push(frames[f])
    assert search.finish() is None


@pytest.mark.parametrize(
    ("fps", "expected"),
    [
        # phones film 60, 120 or 240 pictures a second; films play 24, 25, 30 or 60
        pytest.param(30.0, (1, 2, 4, 8), id="thirty"),
        pytest.param(60.0, (1, 2, 4), id="sixty"),
        pytest.param(24000 / 1001, (1, 2, 5, 10), id="cinema"),
        pytest.param(25.0, (1, 2, 4, 8), id="pal"),
        pytest.param(120.0, (1,), id="as-filmed"),
    ],
)
def test_only_rates_that_phones_film_at_are_thought_of(fps, expected):
    assert likely_factors(fps) == expected


def test_a_tag_of_the_file_is_read(tmp_path):
    tagged = restamped(SAMPLE, tmp_path / "tagged.mp4", 4, 0.5, tag="60.000000")
    assert hinted_factor(probe_clip(tagged)) == pytest.approx(4.0, abs=1e-3)
    plain = restamped(SAMPLE, tmp_path / "plain.mp4", 4, 0.5)
    assert hinted_factor(probe_clip(plain)) == 1.0
    # a phone that stores what it filmed writes the tag as well
    normal = restamped(SAMPLE, tmp_path / "normal.mp4", 1, 0.5, tag="60.000000")
    assert hinted_factor(probe_clip(normal)) == 1.0


def test_a_film_of_a_usual_fast_rate_is_not_searched(tmp_path):
    info = replace(probe_clip(SAMPLE), fps=120.0)
    assert find_factor(info, flown.camera_beside()) == 1.0


def test_a_serve_keeps_its_speed_and_is_shown_when_the_film_shows_it():
    serve = made_analysis(1).serves[0]
    slow = stretched(serve, 8.0)
    assert slow.t_contact_s == 8 * serve.t_contact_s
    assert slow.t_start_s == 8 * serve.t_start_s
    np.testing.assert_allclose(slow.times, 8 * serve.times, rtol=0, atol=1e-12)
    assert slow.pace_m_s == serve.pace_m_s
    assert slow.topspin_rad_s == serve.topspin_rad_s


def test_a_clip_told_in_real_time():
    info = probe_clip(SAMPLE)
    real = played_at(info, 1 / 4)
    assert real.fps == pytest.approx(4 * info.fps, abs=1e-9)
    assert real.duration_s == pytest.approx(info.duration_s / 4, abs=1e-9)


def test_sights_of_a_slow_film_are_timed_as_filmed(tmp_path):
    """Stamps twice as far apart, told to play twice as slowly: the times of the film itself."""
    times = []
    for factor in (1, FACTOR):
        info = probe_clip(restamped(SAMPLE, tmp_path / f"{factor}.mp4", factor, 0.4))
        film = Film(
            path=info.path, width=info.width, height=info.height, fps=factor * info.fps,
            slow_motion=factor,
        )  # fmt: skip
        sights = list(read_sights(film))
        times.append([s.time_s for s in sights])
        found = [s.found for s in sights if s.found is not None]
        times[-1] += [f.time_s for f in found] + [f.near_s for f in found]
    np.testing.assert_allclose(times[1], times[0], rtol=0, atol=1e-5)


@pytest.mark.slow
def test_a_film_stored_slower_is_measured_as_the_film_itself(tmp_path):
    """The same pictures under other stamps: places, paces and spins are the same, times twice."""
    until = 3.3
    normal = analyse(
        restamped(SAMPLE, tmp_path / "normal.mp4", 1, until), Settings(slow_motion=1.0)
    )
    slow = analyse(restamped(SAMPLE, tmp_path / "slow.mp4", FACTOR, until))
    assert slow.clip.fps == pytest.approx(30.0, abs=0.1)
    assert slow.settings["slow_motion"] == FACTOR
    assert slow_motion_note(FACTOR) in slow.warnings
    assert len(slow.serves) == len(normal.serves) >= 1
    assert len(slow.bounces) == len(normal.bounces) >= 2
    for one, other in zip(normal.bounces, slow.bounces, strict=True):
        assert other.time_s == pytest.approx(FACTOR * one.time_s, abs=1e-4)
        np.testing.assert_allclose(other.point, one.point, rtol=0, atol=1e-4)
    for one, other in zip(normal.serves, slow.serves, strict=True):
        assert other.outcome == one.outcome
        assert other.pace_m_s == pytest.approx(one.pace_m_s, abs=1e-3)
        assert other.t_contact_s == pytest.approx(FACTOR * one.t_contact_s, abs=1e-4)
        assert other.toss_rise_m == pytest.approx(one.toss_rise_m, abs=1e-3, nan_ok=True)
    assert len(slow.crops) == len(normal.crops)
    assert slow.stands[-1].end_s == pytest.approx(FACTOR * normal.stands[-1].end_s, abs=1e-6)
