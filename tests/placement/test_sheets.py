"""Field check: sheets painted into rendered stills at exactly known places."""

import json
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration import Camera, detect_table, refine_corners
from placement import cli
from placement.sheets import A4, Sheet, SheetError, measure_sheet

SAMPLES = Path(__file__).resolve().parents[2] / "sample_frames"
PAPER = np.array([212.0, 216.0, 218.0])
SHEETS = (Sheet(place=(0.5, 0.3)), Sheet(place=(-0.8, -0.4), angle_deg=30.0),
          Sheet(place=(0.9, -0.35), angle_deg=90.0))  # fmt: skip


def corners_of(sheet):
    """Corners of A4 (297 x 210 mm, ISO 216) turned about its middle, worked here on its own."""
    a = np.radians(sheet.angle_deg)
    long, short = (
        np.array([np.cos(a), np.sin(a)]) * 0.1485,
        np.array([-np.sin(a), np.cos(a)]) * 0.105,
    )
    middle = np.array(sheet.place)
    return np.array([middle - long - short, middle + long - short, middle + long + short,
                     middle - long + short])  # fmt: skip


def true_camera(name):
    c = json.loads((SAMPLES / f"{name}.corners.json").read_text())["camera"]
    return Camera(
        matrix=np.array([[c["fx"], 0, c["cx"]], [0, c["fy"], c["cy"]], [0, 0, 1.0]]),
        distortion=np.array([c["k1"], 0, 0, 0, 0.0]), rotation=np.array(c["R"]),
        translation=np.array(c["t"]), size=(c["width"], c["height"]),
    )  # fmt: skip


@cache
def empty_table():
    """The balcony's table, found on the still without a sheet, once."""
    return detect_table(painted("still_balcony", ()))


def painted(name, sheets=SHEETS):
    """The sample still with sheets laid on the table, drawn sixteen times finer than its pixels."""
    camera = true_camera(name)
    still = cv2.imread(str(SAMPLES / f"{name}.jpg")).astype(float)
    for sheet in sheets:
        c = corners_of(sheet)
        sides = zip(c, np.roll(c, -1, axis=0), strict=True)
        edge = np.concatenate([np.linspace(a, b, 20, endpoint=False) for a, b in sides])
        points = camera.project(np.column_stack([edge, np.zeros(len(edge))]))
        low = np.floor(points.min(axis=0)).astype(int) - 4
        wide, tall = np.ceil(points.max(axis=0)).astype(int) + 5 - low
        fine = np.zeros((tall * 16, wide * 16), np.uint8)
        # a filled polygon holds its outline too: half a fine pixel more on every side
        cv2.fillPoly(fine, [np.round((points - low + 0.5) * 16 - 0.5).astype(np.int32)], 255)
        share = cv2.resize(fine, (wide, tall), interpolation=cv2.INTER_AREA).astype(float) / 255
        share = cv2.GaussianBlur(share, (0, 0), 0.7)[..., None]
        part = still[low[1] : low[1] + tall, low[0] : low[0] + wide]
        part[:] = part * (1 - share) + share * PAPER
    noise = np.random.default_rng(3).normal(0, 1.5, still.shape)
    return np.clip(still + noise, 0, 255).astype(np.uint8)


def grey(still):
    return cv2.cvtColor(still, cv2.COLOR_BGR2GRAY)


@pytest.mark.parametrize("name", ["still_diagonal", "still_balcony"])
def test_sheets_are_measured_to_the_pixel_of_the_view(name):
    still = painted(name)
    calibration = detect_table(still)
    for sheet in SHEETS:
        found = measure_sheet(grey(still), calibration, sheet)
        # a pixel of these stills spans 3 to 12 mm of the table, and an edge is found to about a
        # tenth of one on each side; what the calibration adds is its own 95 % radius
        assert np.hypot(*found.place_error) < 0.001 + found.expected_95
        np.testing.assert_allclose(found.size, A4, atol=0.003, rtol=0)


def test_a_sheet_laid_elsewhere_is_measured_where_it_lies():
    still = painted("still_balcony", [Sheet(place=(0.52, 0.27))])
    found = measure_sheet(grey(still), detect_table(still), Sheet(place=(0.50, 0.30)))
    np.testing.assert_allclose(found.place_error, [0.02, -0.03], atol=0.002, rtol=0)


def test_given_corners_keep_the_users_own_ends():
    camera = true_camera("still_side")
    still = painted("still_side")
    corners = json.loads((SAMPLES / "still_side.corners.json").read_text())["corners_px"]
    calibration = refine_corners(still, np.array(corners))
    found = measure_sheet(grey(still), calibration, SHEETS[0])
    assert np.hypot(*found.place_error) < 0.002 + found.expected_95
    assert camera.size == (1280, 720)


def test_no_sheet_there_is_one_sentence():
    still = painted("still_balcony", ())
    with pytest.raises(SheetError, match=r"no sheet was found at \(\+0.50, \+0.30\)"):
        measure_sheet(grey(still), empty_table(), SHEETS[0])


def test_a_sheet_half_covered_is_refused():
    still = painted("still_balcony", [SHEETS[0]])
    camera = true_camera("still_balcony")
    arm = np.array([[0.30, 0.30, 0], [0.70, 0.30, 0], [0.70, 0.42, 0], [0.30, 0.42, 0]])
    cv2.fillPoly(still, [np.round(camera.project(arm)).astype(np.int32)], (120, 70, 40))
    with pytest.raises(SheetError, match=r"no whole A4 sheet|no sheet was found"):
        measure_sheet(grey(still), empty_table(), SHEETS[0])


def test_the_command_prints_place_and_size(tmp_path, capsys):
    cv2.imwrite(str(tmp_path / "photo.png"), painted("still_balcony"))
    status = cli.main(
        ["field-check", str(tmp_path / "photo.png"), "--sheet", "0.5,0.3", "--sheet",
         "-0.8,-0.4,30", "--sheet", "0.2,-0.6", "--out", str(tmp_path / "check.png")]
    )  # fmt: skip
    out = capsys.readouterr().out
    assert status == 0
    assert "+0.500  +0.300" in out
    assert "no sheet was found at (+0.20, -0.60)" in out  # the others are still told
    assert cv2.imread(str(tmp_path / "check.png")).shape == (720, 1280, 3)


@pytest.mark.parametrize(
    ("words", "name"), [("does not exist", "none.jpg"), ("cannot be read as a picture", "text.png")]
)
def test_a_bad_picture_is_one_sentence(words, name, tmp_path, capsys):
    (tmp_path / "text.png").write_text("no picture")
    assert cli.main(["field-check", str(tmp_path / name), "--sheet", "0,0"]) == 2
    err = capsys.readouterr().err
    assert words in err
    assert err.count("\n") == 1
