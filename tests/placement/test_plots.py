"""Pictures read back from their artists; colours against scikit-image's CIELAB."""

from types import SimpleNamespace

import numpy as np
import pytest
from matplotlib.collections import PathCollection, PolyCollection, QuadMesh
from matplotlib.colors import to_rgb
from matplotlib.patches import Rectangle
from skimage.color import rgb2lab

from placement.density import estimate_density, half_bounds
from placement.plots import (
    new_figure,
    paper_colours,
    plot_bounces,
    plot_density,
    plot_difference,
    plot_ellipse,
    plot_expected_error,
    plot_rate_interval,
    plot_table,
    plot_targets,
    plot_trend,
    save_figure,
    to_picture,
)
from placement.zones import Target


@pytest.fixture
def ax():
    return new_figure().add_subplot()


def words(ax):
    return "\n".join(t.get_text() for t in ax.texts)


def serves(n=30):
    return np.random.default_rng(4).normal([0.7, 0.2], [0.12, 0.1], size=(n, 2))


def test_server_stands_at_the_bottom_and_left_is_left():
    # A server at negative x looks to +x: +y is on the left, the receiver's half is up the page.
    assert to_picture([[1.0, 0.5]]).tolist() == [[-0.5, 1.0]]
    assert to_picture([[-1.0, -0.5]], server_end=1).tolist() == [[-0.5, 1.0]]
    assert to_picture([[1.0, 0.5]], view="receiver").tolist() == [[0.5, -1.0]]


def test_table_is_to_the_laws_scale(ax):
    plot_table(ax)
    boxes = [p.get_bbox().bounds for p in ax.patches if isinstance(p, Rectangle)]
    assert boxes[0] == pytest.approx((-0.7625, -1.37, 1.525, 2.74))  # Law 2.1.1
    assert ax.get_aspect() == 1.0
    lines = [b for b in boxes if min(b[2:]) == pytest.approx(0.02)]  # Law 2.1.4: 2 cm, inside
    assert len(lines) == 4
    assert all(x >= -0.7625 and x + w <= 0.7625 + 1e-12 for x, _, w, _ in lines)
    net = next(line for line in ax.lines if line.get_gid() == "net")
    assert np.ptp(net.get_xdata()) == pytest.approx(1.83)  # Law 2.2.2: post to post
    assert set(net.get_ydata()) == {0.0}


@pytest.mark.parametrize(("view", "low"), [("server", "server"), ("receiver", "receiver")])
def test_ends_are_marked_and_the_view_is_stated(ax, view, low):
    plot_table(ax, view=view)
    bottom = next(t for t in ax.texts if t.get_text() == f"{low}'s end")
    assert bottom.get_position()[1] < -1.37
    assert f"left and right as the {view} sees them" in words(ax)


def test_half_table_shows_the_receivers_half(ax):
    plot_table(ax, half_only=True, thirds=True)
    assert ax.patches[0].get_bbox().bounds == pytest.approx((-0.7625, 0.0, 1.525, 1.37))


def test_ends_without_a_server_get_their_own_words(ax):
    plot_table(ax, end_names=("near end", "far end"))
    assert "near end" in words(ax)
    assert "server" not in words(ax)


def test_bounces_are_drawn_where_they_fell_with_their_95_percent_ellipse(ax):
    cov = np.array([[0.02**2, 0.0], [0.0, 0.01**2]])
    plot_bounces(ax, [[1.0, 0.5], [np.nan, 0.0]], np.stack([cov, cov]))
    (ellipses,) = (c for c in ax.collections if isinstance(c, PolyCollection))
    (dots,) = (c for c in ax.collections if isinstance(c, PathCollection))
    assert dots.get_offsets().tolist() == [[-0.5, 1.0]]
    (outline,) = (p.vertices for p in ellipses.get_paths())
    # sqrt(5.9915) sd: 24.5 mm across and 49.0 mm along the length, which runs up the page.
    assert np.ptp(outline[:, 0]) / 2 == pytest.approx(0.02448, abs=1e-5)
    assert np.ptp(outline[:, 1]) / 2 == pytest.approx(0.04895, abs=1e-5)


def test_tilt_of_an_ellipse_follows_the_view(ax):
    # x and y grow together; up the page is +x and to the right is -y: the ellipse leans left.
    plot_ellipse(ax, [0.5, 0.0], [[0.04, 0.03], [0.03, 0.04]])
    right, up = ax.lines[0].get_data()
    assert np.corrcoef(right, up)[0, 1] == pytest.approx(-0.75, abs=0.01)


def test_doubtful_bounces_are_open_rings(ax):
    plot_bounces(ax, [[1.0, 0.5], [0.5, 0.1]], doubtful=[False, True], label="serve")
    filled, rings = (c for c in ax.collections if isinstance(c, PathCollection))
    assert len(filled.get_facecolor()) == 1
    assert len(rings.get_facecolor()) == 0
    assert rings.get_label() == "not certain"


def test_map_fills_the_receivers_half_and_counts_misses_beside_it(ax):
    found = estimate_density(serves(), bounds=half_bounds(-1), measurement=0.01)
    plot_density(plot_table(ax), found, misses={"net": 2, "missed": 1})
    (mesh,) = (c for c in ax.collections if isinstance(c, QuadMesh))
    nodes = np.asarray(mesh.get_coordinates()).reshape(-1, 2)
    assert nodes.min(axis=0) == pytest.approx([-0.7625, 0.0], abs=1e-9)
    assert nodes.max(axis=0) == pytest.approx([0.7625, 1.37], abs=1e-9)
    peak = nodes[np.argmax(mesh.get_array())]
    assert peak == pytest.approx([-0.2, 0.7], abs=0.08)
    assert mesh.get_array().max() == pytest.approx(found.density.max(), rel=1e-9)  # % in 0.01 m^2
    beside = next(t for t in ax.texts if t.get_gid() == "beside")
    assert "landed 30\nmissed 3" in beside.get_text()
    assert beside.get_position()[0] > 0.7625  # off the table


def test_maps_side_by_side_share_one_scale(ax):
    found = estimate_density(serves(), bounds=half_bounds(-1), measurement=0.01)
    plot_density(plot_table(ax), found, top=40.0, colorbar=False)
    (mesh,) = (c for c in ax.collections if isinstance(c, QuadMesh))
    assert mesh.norm.vmax == pytest.approx(40.0)
    assert len(ax.figure.axes) == 1


def test_below_15_bounces_only_points_are_drawn(ax):
    found = estimate_density(serves(14), bounds=half_bounds(-1), measurement=0.01, n_missed=3)
    plot_density(plot_table(ax), found)
    assert not [c for c in ax.collections if isinstance(c, QuadMesh)]
    (dots,) = (c for c in ax.collections if isinstance(c, PathCollection))
    assert len(dots.get_offsets()) == 14
    assert "points only" in words(ax)


def test_target_is_outlined_in_its_third_with_its_words(ax):
    plot_targets(plot_table(ax), [Target(side="left", landing="end")], captions=["7 of 10"])
    box = ax.patches[-1].get_bbox()
    assert (box.x0, box.x1) == pytest.approx((-0.7625, -0.2542), abs=0.013)  # drawn 12 mm inside
    assert (box.y0, box.y1) == pytest.approx((0.9133, 1.37), abs=0.013)
    assert "7 of 10" in words(ax)


def test_targets_of_one_zone_share_one_outline(ax):
    plot_table(ax)
    before = len(ax.patches)
    plot_targets(ax, [Target(side="left", depth="short"), Target(side="left", depth="long")])
    assert len(ax.patches) == before + 1
    assert "short left\nlong left" in words(ax)


def test_letters_of_one_zone_stand_side_by_side(ax):
    both = [Target(side="left", depth="short"), Target(side="left", depth="long")]
    plot_targets(plot_table(ax), both, captions=["A", "C"])
    assert "A C" in words(ax)


def difference(threshold):
    x, y = np.linspace(0.05, 1.32, 30), np.linspace(-0.7, 0.7, 31)
    bump = np.exp(-((x[:, None] - 0.4) ** 2 + (y - 0.3) ** 2) / 0.02)
    return SimpleNamespace(x=x, y=y, difference=5 * (bump - bump[:, ::-1]), threshold=threshold)


def test_difference_names_only_what_is_beyond_chance(ax):
    plot_difference(plot_table(ax), difference(2.0))
    assert "more, beyond chance" in words(ax)
    assert "fewer, beyond chance" in words(ax)


def test_difference_has_its_signs_written_for_a_grey_print(ax):
    plot_difference(plot_table(ax), difference(2.0))
    signs = {t.get_text(): t.get_position() for t in ax.texts if t.get_gid() == "sign"}
    # The first drill's serves fell at y = -0.3, the second's at +0.3: left of the server at -x.
    assert signs["+"] == pytest.approx((-0.3, 0.4), abs=0.05)
    assert signs["−"] == pytest.approx((0.3, 0.4), abs=0.05)


def test_difference_within_chance_says_so(ax):
    plot_difference(plot_table(ax), difference(9.0))
    assert "nowhere beyond" in words(ax)


def test_expected_error_is_in_mm_where_it_belongs(ax):
    x, y = np.linspace(-1.37, 1.37, 21), np.linspace(-0.7625, 0.7625, 11)
    error = np.broadcast_to(0.020 + 0.01 * x, (11, 21))  # worst at the positive-x end
    plot_expected_error(plot_table(ax), (x, y, error))
    (mesh,) = (c for c in ax.collections if isinstance(c, QuadMesh))
    nodes, values = np.asarray(mesh.get_coordinates()).reshape(-1, 2), np.ravel(mesh.get_array())
    assert values.max() == pytest.approx(33.7, abs=1e-9)
    assert nodes[np.argmax(values), 1] == pytest.approx(1.37)  # up the page for server_end -1


def test_expected_error_of_the_wrong_shape_is_refused(ax):
    with pytest.raises(ValueError, match=r"shape \(2, 3\)"):
        plot_expected_error(ax, ([0.0, 0.5, 1.0], [0.0, 0.1], np.zeros((3, 2))))


def test_map_colours_are_even_steps_to_the_eye_and_fall_in_lightness():
    lab = rgb2lab(paper_colours().colors[:, :3])
    steps = np.linalg.norm(np.diff(lab, axis=0), axis=1)
    assert np.ptp(steps) < 0.02 * steps.mean()  # rounding of the conversion matrices
    assert (np.diff(lab[:, 0]) < 0).all()
    assert lab[0, 0] > 85
    assert lab[-1, 0] < 20


def test_map_is_pale_where_nobody_serves():
    assert np.abs(np.array(to_rgb("#dce5ea")) - paper_colours().colors[0, :3]).max() < 0.01


def test_trend_shows_each_drill_with_its_interval_and_the_band(ax):
    t = [0.0, 7.0]
    plot_trend(ax, t, [0.5, 0.7], [0.3, 0.5], [0.7, 0.85], band=(t, [0.5, 0.7], [0.4, 0.6],
               [0.6, 0.8]), tick_labels=["6 Jan", "13 Jan"], title="Hits")  # fmt: skip
    points = ax.lines[-1]
    assert points.get_ydata().tolist() == pytest.approx([50.0, 70.0])
    bars = ax.collections[-1].get_segments()
    assert [s[:, 1].tolist() for s in bars] == [[30.0, 70.0], [50.0, 85.0]]
    assert [t.get_text() for t in ax.get_xticklabels()] == ["6 Jan", "13 Jan"]


def test_small_rate_picture_shows_rate_interval_and_reference(ax):
    plot_rate_interval(ax, 0.7, 0.52, 0.83, reference=0.6, n=30)
    data = [line.get_xdata() for line in ax.lines]
    assert any(list(x) == pytest.approx([52.0, 83.0]) for x in data)
    assert any(list(x) == pytest.approx([60.0, 60.0]) for x in data)
    assert words(ax) == "30"


def test_small_rate_picture_without_serves_says_so(ax):
    plot_rate_interval(ax, np.nan, np.nan, np.nan)
    assert words(ax) == "no serves yet"


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_picture_is_written_whole_and_alike_each_time(tmp_path, kind):
    figure = new_figure(2, 2)
    plot_table(figure.add_subplot())
    path = save_figure(figure, tmp_path / f"map.{kind}", dpi=50)
    assert [p.name for p in tmp_path.iterdir()] == [f"map.{kind}"]
    assert path.stat().st_size > 1000


def test_failed_picture_leaves_the_old_one(tmp_path, monkeypatch):
    figure = new_figure(2, 2)
    old = tmp_path / "map.png"
    old.write_bytes(b"old")
    monkeypatch.setattr(figure, "savefig", lambda *a, **k: (_ for _ in ()).throw(OSError("full")))
    with pytest.raises(OSError, match="full"):
        save_figure(figure, old)
    assert old.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["map.png"]


def test_unknown_picture_format_is_one_sentence(tmp_path):
    with pytest.raises(ValueError, match="must end in"):
        save_figure(new_figure(), tmp_path / "map.txt")


def test_unknown_view_is_one_sentence(ax):
    with pytest.raises(ValueError, match="view must be"):
        plot_table(ax, view="umpire")
