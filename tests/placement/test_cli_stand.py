"""The command `stand`: table, advice and picture before filming."""

import cv2
import numpy as np
import pytest

from calibration import expected_error
from placement import cli
from placement.cli_stand import error_table


def test_stand_prints_table_and_advice_and_draws(tmp_path, capsys):
    picture = tmp_path / "stand.png"
    status = cli.main(["stand", "--place", "-3.8,-1.6", "--height", "1.6", "--out", str(picture)])
    out = capsys.readouterr().out
    assert status == 0
    assert "expected error of a bounce, mm" in out
    assert "Expect bounces within" in out
    assert cv2.imread(str(picture)).std() > 5


def test_the_table_shows_the_same_numbers_as_the_covariance_code():
    expected = expected_error((-3.8, -1.6, 1.6), fps=60)
    lines = error_table(expected)
    # first row is the far side, +y; its last cell the far corner, x +1.37
    assert float(lines[2].split()[-1]) == pytest.approx(1e3 * expected.error_95[-1, -1], abs=0.5)
    assert float(lines[-1].split()[1]) == pytest.approx(1e3 * expected.error_95[0, 0], abs=0.5)
    assert np.isfinite(expected.error_95).all()


def test_more_frames_make_it_better(tmp_path, capsys):
    worst = []
    for mode in ("1080p30", "1080p120"):
        out = str(tmp_path / "s.png")
        cli.main(["stand", "--place", "-4,0", "--height", "1.5", "--mode", mode, "--out", out])
        words = capsys.readouterr().out
        worst.append(float(words.split(" mm at worst")[0].split()[-1]))
    assert worst[1] < worst[0]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--place", "0,0", "--height", "1.6"], "would be on the table"),
        (["--place", "-4,0", "--height", "0.5"], "must be at least 0.1 m above the surface"),
        (["--place", "-4,0", "--height", "1.6", "--fov", "170"], "is none of a phone"),
        (["--place", "-4", "--height", "1.6"], "is not 2 numbers"),
        (["--place", "-4,0", "--height", "1.6", "--mode", "hd"], "is not a mode"),
    ],
)
def test_impossible_stands_are_one_sentence(arguments, words, tmp_path, capsys):
    picture = tmp_path / "stand.png"
    assert cli.main(["stand", *arguments, "--out", str(picture)]) == 2
    assert words in capsys.readouterr().err
    assert not picture.exists()


def test_a_name_that_is_no_pictures_is_one_sentence(tmp_path, capsys):
    out = tmp_path / "stand"
    code = cli.main(["stand", "--place", "-3.5,-1.2", "--height", "1.8", "--out", str(out)])
    told = capsys.readouterr()
    assert code == 2
    assert told.out == ""
    assert "stand' is no picture's name: let it end in .png, .svg or .pdf" in told.err
    assert not list(tmp_path.iterdir())
