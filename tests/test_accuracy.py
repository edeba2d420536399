"""The measures themselves, on tables made from a truth by hand, and the bound by simulation."""

import json
from itertools import count
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from calibration import stand_camera
from placement.analysis import BOUNCE_COLUMNS, SERVE_COLUMNS
from placement.trajectory import Expectations, Sightings, first_guess, fit_path
from tests.accuracy.bound import bounds_of, cramer_rao
from tests.accuracy.score import (
    Score,
    match,
    median_radius,
    score_clip,
    true_depth,
    true_side,
    true_spin,
)
from tests.accuracy.tables import by_clip, markdown, overall

TRUTH = json.loads(
    (Path(__file__).resolve().parents[1] / "sample_frames" / "sample_drill.truth.json").read_text()
)


def _bounces(contacts, *, off=(0.0, 0.0), sd=0.01, turn=1):
    rows = [
        {"clip": "c", "time_s": c["time_s"], "x_m": turn * (c["x_m"] + off[0]),
         "y_m": turn * (c["y_m"] + off[1]), "sd_x_m": sd, "sd_y_m": sd, "cov_xy_m2": 0.0,
         "half": c["half"], "kind": c["kind"], "probability": 1.0}
        for c in contacts
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=list(BOUNCE_COLUMNS))


def _serves(true, turn=1):
    numbers = count(1)
    words = {"fault-net": "net", "fault-missed": "missed", "fault-own-side-twice": "own-twice"}
    rows = []
    for q in true:
        good = q["outcome"] in ("good", "let")
        topspin, sidespin = true_spin(q)
        rows.append({
            "serve": next(numbers), "t_start_s": q["t_start_s"],
            "outcome": words.get(q["outcome"], q["outcome"]),
            "depth": true_depth(q) if good else "", "side": true_side(q) if good else "",
            "pace_m_s": q["pace_m_s"], "toss_rise_m": q["toss_rise_m"],
            "second_bounce_x_m": turn * q["second_bounce"][0] if good else np.nan,
            "second_bounce_y_m": turn * q["second_bounce"][1] if good else np.nan,
            "topspin_lo": topspin - 1, "topspin_hi": topspin + 1,
            "sidespin_lo": sidespin - 1, "sidespin_hi": sidespin + 1, "flags": "",
        })  # fmt: skip
    return pd.DataFrame(rows).reindex(columns=list(SERVE_COLUMNS))


WANTED = [
    c for c in TRUTH["bounces"]
    if c["kind"] in ("serve", "return") and not c["minor"] and not c["hidden"]
]  # fmt: skip
CORNERS = np.array(TRUTH["camera"]["corners_px"])


def test_the_truth_itself_scores_perfectly():
    s = score_clip(TRUTH, _bounces(WANTED), _serves(TRUTH["serves"]), CORNERS)
    assert (s.found, s.wanted, s.false) == (len(WANTED), len(WANTED), 0)
    assert max(s.error_m) == 0.0
    assert all(s.inside)
    assert (s.serves_found, s.serves) == (5, 5)
    assert all(s.outcome)
    assert all(s.depth)
    assert all(s.side)
    assert all(s.spin_inside)
    assert max([*s.second_m, *s.pace, *s.toss_m]) == 0.0
    assert s.corners_px == [0.0]
    assert s.notes == []


def test_the_other_naming_of_the_ends_counts_as_well():
    s = score_clip(
        TRUTH, _bounces(WANTED, turn=-1), _serves(TRUTH["serves"], turn=-1),
        np.roll(CORNERS, 2, axis=0),
    )  # fmt: skip
    assert max(s.error_m) < 1e-12
    assert max(s.second_m) < 1e-12
    assert s.corners_px == [0.0]


def test_an_offset_is_measured_in_mm_and_px_and_leaves_the_ellipse():
    s = score_clip(TRUTH, _bounces(WANTED, off=(0.03, 0.04)), _serves([]), None)
    np.testing.assert_allclose(s.error_m, 0.05, atol=1e-12, rtol=0)
    assert not any(s.inside)  # 5 sd off; the 95 % ellipse reaches 2.45 sd
    assert min(s.error_px) > 1
    assert (s.serves_found, s.serves) == (0, 5)


def test_missed_and_false_bounces_are_counted_and_named():
    bounces = _bounces(WANTED[1:])
    far = bounces.iloc[[0]].assign(time_s=0.2)
    s = score_clip(TRUTH, pd.concat([bounces, far]), _serves(TRUTH["serves"]), None)
    assert s.wanted - s.found == 1
    assert s.false == 1
    assert any("missed bounce" in n for n in s.notes)
    assert any("false bounce at 0.200 s" in n for n in s.notes)


def test_matching_is_one_to_one_nearest_first_within_40_ms():
    pairs = match(np.array([1.00, 1.03, 2.05]), np.array([1.02, 2.0]))
    assert pairs == [(1, 0)]  # 1.03 is nearer than 1.00; 2.05 is 50 ms off


@pytest.mark.parametrize(
    ("second", "expected"),
    [
        ((1.00, 0.0), "short"), ((1.30, 0.0), "half-long"), ((1.45, 0.0), "half-long"),
        ((1.70, 0.0), "long"), ((1.22, 0.0), ""), ((1.53, 0.0), ""), ((1.00, 0.9), ""),
    ],
)  # fmt: skip
def test_depth_is_not_asked_near_the_edge_of_the_band(second, expected):
    assert true_depth({"second_bounce": [*second, 0.02], "server_end": -1}) == expected
    turned = [-second[0], -second[1], 0.02]
    assert true_depth({"second_bounce": turned, "server_end": 1}) == expected


def test_side_and_spin_are_the_servers_from_either_end():
    # a server at -x looks along +x: +y is to the left (design of the axes, right-handed, z up)
    assert true_side({"landing": [0.5, 0.5], "server_end": -1}) == "left"
    assert true_side({"landing": [-0.5, 0.5], "server_end": 1}) == "right"
    # topspin turns the top of the ball forwards: for flight along +x the axis is +y
    assert true_spin({"spin_rad_s": [0, 90, 5], "velocity": [4, 0, 1]}) == (90.0, 5.0)
    assert true_spin({"spin_rad_s": [0, -90, 5], "velocity": [-4, 0, 1]}) == (90.0, 5.0)


def test_median_radius_of_a_round_and_of_a_flat_normal():
    # Rayleigh: sqrt(2 ln 2); half-normal: the 75 % point of the normal
    assert median_radius(np.eye(2)) == pytest.approx(np.sqrt(2 * np.log(2)), abs=1e-3)
    needle = median_radius(np.diag([1.0, 1e-6]))
    assert needle == pytest.approx(stats.norm.ppf(0.75), abs=1e-2)


def test_the_bound_is_what_the_fit_reaches_with_noise_of_a_tenth_of_a_pixel():
    camera = stand_camera((-3.5, -2.0, 1.8), size=(1920, 1080), focal_px=1500.0)
    expectations = Expectations()
    theta = first_guess(
        [1.0, 1.4], np.array([-0.7, 0.1]), np.array([3.4, 0.5, -2.0]),
        [np.array([3.1, 0.5, 1.9]), np.array([2.6, 0.4, 1.6])], expectations,
    )  # fmt: skip
    times = np.arange(0.82, 1.62, 1 / 60)
    clean = fit_path(
        camera, Sightings(times, _seen(camera, theta, times), _covariances(len(times))), theta, 2,
        expectations,
    )  # fmt: skip
    assert clean is not None
    bound = cramer_rao(camera, times, clean.theta, 2)
    rng = np.random.default_rng(11)
    errors = []
    for _ in range(60):
        pixels = _seen(camera, clean.theta, times) + rng.normal(0, 0.1, (len(times), 2))
        path = fit_path(camera, Sightings(times, pixels, _covariances(len(times))), theta, 2,
                        expectations)  # fmt: skip
        assert path is not None
        errors.append(path.bounce_places[0] - clean.bounce_places[0])
    spread = np.sqrt((np.array(errors) ** 2).sum(axis=1).mean())
    # the priors pull a little, so the fit may lie below the bound's root; 60 draws of a chi-squared
    # of about 2 numbers scatter by 1 / sqrt(2 * 60) = 9 % in the root: three times that
    assert spread == pytest.approx(np.sqrt(np.trace(bound[0])), rel=0.27)


def _seen(camera, theta, times):
    from placement.trajectory import Model

    return camera.project(Model(theta[None], 2).at(times))[0]


def _covariances(n):
    return np.tile(0.01 * np.eye(2), (n, 1, 1))


def test_bounds_exist_for_the_good_serves_of_the_sample():
    bounds = bounds_of(TRUTH)
    assert len(bounds) >= 6
    radii = [median_radius(c) for c in bounds.values()]
    assert min(radii) > 1e-4
    assert max(radii) < 5e-3


def test_tables_hold_a_line_for_every_measure():
    s = score_clip(TRUTH, _bounces(WANTED), _serves(TRUTH["serves"]), CORNERS)
    s.seconds, s.decode_seconds = 3.0, 2.0
    total = Score()
    total.add(s)
    text = overall({"this tool": total, "baseline": Score()})
    assert "time / bare decoding" in text
    assert "1.50" in text
    assert len(text.splitlines()) == 20
    assert by_clip({"sample": s}).splitlines()[1].startswith("sample  ")


def test_the_table_for_readme_has_the_same_cells():
    s = score_clip(TRUTH, _bounces(WANTED), _serves(TRUTH["serves"]), CORNERS)
    plain, marked = overall({"this tool": s}), markdown({"this tool": s})
    for line, row in zip(plain.splitlines()[1:], marked.splitlines()[2:], strict=True):
        assert line.split() == row.replace("|", " ").split()
