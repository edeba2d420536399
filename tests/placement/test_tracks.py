"""Candidates of one smooth path become one run; those of noise do not."""

from __future__ import annotations

import numpy as np

from placement.ball import Candidates
from placement.tracks import Linker, Run

RATE = 60.0


def candidates(frame: int, points: np.ndarray, strengths: np.ndarray | None = None) -> Candidates:
    n = len(points)
    return Candidates(
        frame=frame, time_s=frame / RATE, points=points,
        strengths=np.full(n, 40.0) if strengths is None else strengths,
        compactness=np.full(n, 0.7), patches=(), near_s=1 / 30, origins=np.zeros((n, 2), int),
    )  # fmt: skip


def falling(i: int) -> np.ndarray:
    t = i / RATE
    return np.array([200 + 1500 * t, 300 - 400 * t + 0.5 * 3000 * t * t])


def linked(frames) -> list[Run]:
    linker = Linker(1920)
    runs = [run for c in frames for run in linker.push(c)]
    return runs + linker.finish()


def test_a_parabola_with_scatter_and_strangers_becomes_one_run():
    rng = np.random.default_rng(2)
    frames = [
        candidates(
            i, np.vstack([rng.uniform(0, [1920, 1080], (6, 2)), falling(i) + rng.normal(0, 0.8, 2)])
        )
        for i in range(24)
    ]
    longest = max(linked(frames), key=lambda run: len(run.times))
    assert len(longest.times) >= 22
    assert (longest.members == 6).all()
    np.testing.assert_allclose(longest.times, longest.frames / RATE, rtol=0, atol=1e-12)
    truth = np.array([falling(i) for i in longest.frames])
    assert np.abs(longest.points - truth).max() < 4.0  # five standard deviations of the scatter


def test_a_gap_of_two_frames_is_bridged_and_a_long_one_ends_the_run():
    def seen(hidden):
        return [
            candidates(i, np.empty((0, 2)) if i in hidden else falling(i)[None]) for i in range(30)
        ]

    assert len(max(linked(seen({12, 13})), key=lambda r: len(r.times)).times) == 28
    assert max(len(r.times) for r in linked(seen(range(12, 20)))) == 12


def test_a_jump_in_strength_is_another_thing():
    frames = [
        candidates(i, falling(i)[None], np.array([40.0 if i < 12 else 400.0])) for i in range(24)
    ]
    assert max(len(r.times) for r in linked(frames)) == 12


def test_oldest_open_is_the_start_of_what_is_still_followed():
    linker = Linker(1920)
    assert linker.oldest_open == np.inf
    for i in range(6):
        linker.push(candidates(i, falling(i)[None]))
    assert linker.oldest_open == 0.0


def test_what_a_resting_thing_may_just_have_reached_is_left_to_a_ball_as_well():
    # a thing at rest may still be 8 px aside, at three standard deviations, where a ball starts
    at = np.array([500.0, 500.0])
    ball = [np.array([508.0 + 30.0 * k, 500.0]) for k in range(10)]
    frames = [candidates(i, p[None]) for i, p in enumerate([at] * 6 + ball)]
    assert {(int(r.frames[0]), int(r.frames[-1])) for r in linked(frames)} == {(0, 6), (6, 15)}
