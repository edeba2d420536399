"""The pictures of an analysis: drawn where they should be, to scale, and soon enough."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration import table
from placement.canvas import (
    WHITE,
    Canvas,
    Frame,
    ellipse_points,
    encode_png,
    paper_scale,
    text_width,
)
from placement.check_picture import blur_outside, draw_check, table_lines
from placement.map_picture import _TABLE, _receiver_sides, draw_map
from placement.plots_maps import paper_colours
from placement.strips import PER_SHEET, StripPen

from .made import made_analysis


def _differs(a, b):
    """Rows and columns where two pictures differ."""
    return np.argwhere(np.abs(a.astype(int) - b).max(axis=2) > 40)


def test_the_density_colours_are_those_of_the_pages():
    # two ways to the same CIELAB line: OpenCV's conversion here, the CIE formulas there
    there = np.round(np.asarray(paper_colours().colors)[:, 2::-1] * 255)
    assert np.abs(paper_scale().astype(int) - there).max() <= 1
    lightness = cv2.cvtColor(paper_scale()[None], cv2.COLOR_BGR2LAB)[0, :, 0].astype(int)
    assert (np.diff(lightness) <= 0).all()  # a grey print keeps the order


def test_a_frame_turns_lengths_to_pixels_with_y_up():
    at = Frame(origin=(100.0, 200.0), scale=50.0)
    np.testing.assert_allclose(at(np.array([[1.0, 2.0]])), [[150.0, 100.0]], atol=0, rtol=0)


def test_an_ellipse_holds_95_percent():
    rng = np.random.default_rng(5)
    covariance = np.array([[4.0, 1.5], [1.5, 1.0]])
    outline = ellipse_points(np.zeros(2), covariance)
    distance = np.einsum("ni,ij,nj->n", outline, np.linalg.inv(covariance), outline)
    np.testing.assert_allclose(distance, 5.991, atol=1e-3, rtol=0)  # chi-squared, 2 degrees, 95 %
    points = rng.multivariate_normal(np.zeros(2), covariance, 20_000)
    inside = np.einsum("ni,ij,nj->n", points, np.linalg.inv(covariance), points) < 5.991
    assert inside.mean() == pytest.approx(0.95, abs=0.005)  # three sd of the share


def test_lines_break_where_a_point_is_unknown_or_far_away():
    canvas = Canvas(100, 20)
    canvas.line(
        np.array([[5, 10], [30, 10], [np.nan, 0], [60, 10], [90, 10], [1e9, 10]]), (0, 0, 0)
    )
    drawn = np.unique(np.argwhere(canvas.image[:, :, 0] < 128)[:, 1])
    assert drawn.min() <= 6
    assert not ((drawn > 32) & (drawn < 58)).any()


def test_words_are_as_wide_as_said_and_end_where_asked():
    canvas = Canvas(300, 40)
    width = canvas.text((280, 25), "serve ± 3", align="right")
    assert width == text_width("serve ± 3")
    columns = np.argwhere((canvas.image < 128).any(axis=(0, 2))).ravel()
    assert columns.max() <= 281
    assert columns.min() >= 278 - width


def test_text_outside_the_picture_is_cut_not_wrapped():
    canvas = Canvas(60, 80)
    canvas.text((10, 20), "a line much longer than this picture")
    assert (canvas.image[40:] == 255).all()


def test_a_picture_with_nothing_in_it_cannot_be_written():
    with pytest.raises((ValueError, cv2.error)):
        encode_png(np.empty((0, 0, 3), np.uint8))


def test_the_map_shows_a_landing_to_scale_as_the_server_sees_it():
    analysis = made_analysis(1)
    (serve,) = analysis.serves
    left = draw_map(analysis)
    # y +0.42 is left of a server at -x; 0.55 m past the net is up the page
    u, v = _TABLE(np.array([[-0.42, 0.55]]))[0]
    spot = left[round(v) - 2 : round(v) + 3, round(u) - 2 : round(u) + 3].reshape(-1, 3)
    assert (spot.mean(axis=0) < 160).any()
    moved = replace(serve, landing=np.array([0.55, -0.42]))
    right = draw_map(replace(analysis, serves=(moved,)))
    where = _differs(left, right)
    mirrored = _TABLE(np.array([[0.42, 0.55]]))[0]
    for place in ((u, v), mirrored):
        assert np.hypot(*(where[:, ::-1] - place).T).min() < 5


def test_a_server_at_the_other_end_is_turned_round():
    analysis = made_analysis(1)
    (serve,) = analysis.serves
    far = replace(serve, server_end=1, landing=-serve.landing)
    a, b = draw_map(analysis), draw_map(replace(analysis, serves=(far,)))
    u, v = np.round(_TABLE(np.array([[-0.42, 0.55]]))[0]).astype(int)
    np.testing.assert_array_equal(a[v - 5 : v + 6, u - 5 : u + 6], b[v - 5 : v + 6, u - 5 : u + 6])


def test_the_receivers_words_are_counted_when_the_hand_is_known():
    analysis = made_analysis(5)
    known = replace(analysis, settings={**analysis.settings, "receiver_hand": "right"})
    assert len(_differs(draw_map(analysis), draw_map(known))) > 200
    # serve 1 landed on the server's left: a right-handed receiver facing him has his forehand there
    words = _receiver_sides(list(analysis.serves[:1]), "right")
    assert words == "to a right-hander: forehand 1, middle 0, backhand 0"


def test_density_is_drawn_from_fifteen_landed_serves_on():
    few, many = draw_map(made_analysis(15)), draw_map(made_analysis(30))
    # the dark end of the scale occurs only where a density is drawn
    deep = paper_scale()[-1].astype(int)
    assert (np.abs(few - deep).max(axis=2) < 8).sum() < 50
    assert (np.abs(many - deep).max(axis=2) < 8).sum() > 500


def test_the_check_still_has_the_lines_on_the_table():
    analysis = made_analysis(0)
    plain = draw_check(replace(analysis, bounces=(), serves=()), whole_still=True)
    magenta = np.array([200, 30, 255])
    drawn = np.argwhere(np.abs(plain[: analysis.still.shape[0]] - magenta).max(axis=2) < 60)
    scale = plain.shape[1] / analysis.still.shape[1]
    lines = np.concatenate([analysis.calibration.camera.project(line) for line in table_lines(400)])
    for v, u in drawn[:: max(1, len(drawn) // 200)]:
        assert np.hypot(*(lines * scale - (u, v)).T).min() < 2.5
    # every outer corner is reached
    for corner in analysis.calibration.corners_px * scale:
        assert np.hypot(*(drawn[:, ::-1] - corner).T).min() < 3


def test_blurring_keeps_the_table_and_nothing_else():
    rng = np.random.default_rng(0)
    picture = rng.integers(0, 255, (300, 400, 3), dtype=np.uint8)
    corners = np.array([[100, 200], [300, 200], [260, 100], [140, 100]], float)
    blurred = blur_outside(picture, corners)
    np.testing.assert_array_equal(blurred[120:190, 150:250], picture[120:190, 150:250])
    assert blurred[:60, :60].std() < 12  # of about 74 before
    assert blurred[260:, 340:].std() < 12


def test_strips_of_every_kind_are_drawn():
    analysis = made_analysis(5)
    pen = StripPen(analysis)
    pictures = [pen.draw_strip(s) for s in analysis.serves]
    assert len({p.shape for p in pictures}) == 1
    assert all(len(_differs(pictures[0], p)) > 200 for p in pictures[1:])


def test_a_strip_without_path_crops_and_figures_is_still_drawn():
    analysis = made_analysis(1, with_crops=False)
    (serve,) = analysis.serves
    bare = replace(
        serve, times=np.empty(0), path=np.empty((0, 3)), bounces=(), outcome="unclear", depth="",
        side="", second_bounce=np.full(2, np.nan), landing=np.full(2, np.nan),
        pace_m_s=np.nan, toss_rise_m=np.nan, net_clearance_m=np.nan,
    )  # fmt: skip
    assert StripPen(replace(analysis, serves=(bare,))).draw_strip(bare).shape[2] == 3


def test_the_ball_lies_in_the_ring_of_its_crop():
    # the crops of the hand-made analysis hold a bright disc where the fitted path puts the ball
    analysis = made_analysis(1)
    strip = StripPen(analysis).draw_strip(analysis.serves[0])
    crop = strip[96:296, 850:1050]
    grey = cv2.cvtColor(crop, cv2.COLOR_BGR2GRAY)
    disc = np.argwhere(grey > 215).mean(axis=0)
    amber = np.argwhere(np.abs(crop.astype(int) - (40, 190, 255)).max(axis=2) < 70)
    near = amber[np.hypot(*(amber - disc).T) < 25]
    around = np.degrees(np.arctan2(*(near - disc).T))
    assert len(np.unique(np.round(around / 30))) >= 10  # all round it


def test_many_serves_make_several_sheets_and_none_makes_one():
    assert len(StripPen(made_analysis(PER_SHEET + 1, with_crops=False)).draw_sheets()) == 2
    (sheet,) = StripPen(made_analysis(0)).draw_sheets()
    assert (sheet != WHITE).any()


def test_lines_of_the_table_are_to_regulation():
    points = np.concatenate(table_lines())
    assert np.ptp(points[:, 0]) == pytest.approx(2.74, abs=1e-12)  # Law 2.1.1
    assert np.ptp(points[:, 1]) == pytest.approx(1.83, abs=1e-12)  # Laws 2.1.1 and 2.2.2
    assert points[:, 2].max() == pytest.approx(0.1525, abs=1e-12)  # Law 2.2.3
    assert table.NET_HEIGHT == 0.1525
