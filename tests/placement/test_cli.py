"""The command: quick help, one sentence for every mistake, and then nothing written."""

import argparse
import json
import subprocess
import sys
from dataclasses import replace
from importlib import import_module

import pytest

from calibration import CalibrationError
from placement import cli, cli_clip, cli_records
from placement.given import parse_place, read_corners
from placement.pipeline import Progress
from placement.progress_bar import ProgressBar, progress_line
from placement.serve_words import clock, describe_serve, describe_spin, name_serve

from .made import made_analysis

SIZE = (1280, 720)
GOOD = [[320, 500], [900, 520], [760, 300], [420, 290]]


def _own_names(add_commands):
    parser = argparse.ArgumentParser()
    subparsers = parser.add_subparsers()
    add_commands(subparsers)
    return {a.dest: a.help for a in subparsers._choices_actions}


def test_the_list_of_commands_is_what_the_records_module_adds():
    listed = {
        name: words
        for title, group in cli.GROUPS.items()
        if title != "From a film to a map"
        for name, words in group.items()
    }
    added = _own_names(cli_records.add_commands)
    added.pop("demo")  # the film commands have their own, with --class
    assert listed == added


def test_every_film_command_has_a_module():
    assert set(cli._FILM) == set(cli.GROUPS["From a film to a map"])
    for module in set(cli._FILM.values()):
        added = _own_names(import_module(module).add_commands)
        assert set(added) == {name for name, home in cli._FILM.items() if home == module}


def test_help_lists_everything_and_loads_nothing_heavy():
    code = (
        "import sys; from placement.cli import main; main(['--help']); "
        "print([m for m in ('cv2', 'pandas', 'matplotlib', 'sqlalchemy', 'scipy') "
        "if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.rstrip().endswith("[]")
    for group in cli.GROUPS.values():
        for name in group:
            assert f"  {name} " in done.stdout


def test_an_unknown_command_is_refused(capsys):
    assert cli.main(["analyze"]) == 2
    assert "there is no command 'analyze'" in capsys.readouterr().err


def test_version(capsys):
    assert cli.main(["--version"]) == 0
    assert capsys.readouterr().out.startswith("serve-placement 0.")


def _run_analyse(monkeypatch, tmp_path, result, *more):
    def analyse(path, settings, progress):
        progress(Progress(done=0.5, stage="reading", time_left_s=3.0))
        if isinstance(result, BaseException):
            raise result
        return result

    monkeypatch.setattr("placement.pipeline.analyse", analyse)
    return cli.main(["analyse", "made_drill.mp4", "--out", str(tmp_path / "out"), *more])


def test_analyse_says_what_was_found_and_where_it_is(monkeypatch, tmp_path, capsys):
    assert _run_analyse(monkeypatch, tmp_path, made_analysis(5)) == 0
    out, err = capsys.readouterr()
    assert "made_drill: 5 serves (3 good, 1 net, 1 let), 9 bounces" in out
    assert str(tmp_path / "out" / "made_drill") in out
    assert "half-long within 15 cm of the end line" in out
    assert "note: The film is dim." in out
    assert err == ""  # no bar where the stream is no terminal


def test_a_clip_without_a_ball_is_a_sentence_and_empty_tables(monkeypatch, tmp_path, capsys):
    empty = replace(made_analysis(0), bounces=(), serves=(), crops=())
    assert _run_analyse(monkeypatch, tmp_path, empty) == 0
    assert "No ball was seen to bounce on the table" in capsys.readouterr().out
    table = (tmp_path / "out" / "made_drill" / "serves.csv").read_text()
    assert table.startswith("clip,serve,")
    assert table.count("\n") == 1


def test_no_table_is_one_sentence_and_nothing_is_written(monkeypatch, tmp_path, capsys):
    error = CalibrationError("no table was found in the picture; give the corners")
    assert _run_analyse(monkeypatch, tmp_path, error) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err == "serve-placement: no table was found in the picture; give the corners\n"
    assert not (tmp_path / "out").exists()


def test_interrupted_leaves_nothing(monkeypatch, tmp_path, capsys):
    assert _run_analyse(monkeypatch, tmp_path, KeyboardInterrupt()) == 130
    assert "nothing was left half-written" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_a_mistake_of_ours_keeps_its_traceback(monkeypatch, tmp_path):
    with pytest.raises(ValueError, match="operands could not be broadcast"):
        _run_analyse(monkeypatch, tmp_path, ValueError("operands could not be broadcast"))


def test_a_full_disk_is_one_sentence(monkeypatch, tmp_path, capsys):
    error = OSError(28, "No space left on device", "film.mp4")
    assert _run_analyse(monkeypatch, tmp_path, error) == 2
    assert capsys.readouterr().err == "serve-placement: film.mp4: No space left on device\n"


def test_two_clips_of_one_name_are_refused_before_any_work(tmp_path, capsys):
    status = cli.main(["analyse", "a/x.mp4", "b/X.mov", "--out", str(tmp_path / "out")])
    assert status == 2
    assert "have the same name" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_one_bad_clip_does_not_stop_the_others(tmp_path, capsys):
    (tmp_path / "empty.mp4").write_bytes(b"")
    status = cli.main(
        ["analyse", str(tmp_path / "empty.mp4"), str(tmp_path / "none.mp4"), "--out", str(tmp_path)]
    )
    assert status == 2
    err = capsys.readouterr().err
    assert "empty.mp4 is empty (0 bytes)" in err
    assert "none.mp4 does not exist" in err


def test_no_refine_needs_corners(tmp_path, capsys):
    assert cli.main(["analyse", "x.mp4", "--out", str(tmp_path), "--no-refine"]) == 2
    assert "name them with --corners" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("option", "value"),
    [("--near", "12"), ("--near", "a,b"), ("--camera-fov", "500"), ("--band", "-1"),
     ("--readout", "nan")],
)  # fmt: skip
def test_options_out_of_range_are_refused(option, value, tmp_path, capsys):
    assert cli.main(["analyse", "x.mp4", "--out", str(tmp_path), f"{option}={value}"]) == 2
    assert option in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "words"),
    [
        pytest.param("", "is not JSON", id="empty"),
        pytest.param("[1, 2]", "has no key corners_px", id="a-list"),
        pytest.param('{"corners": []}', "has no key corners_px", id="other-key"),
        pytest.param('{"corners_px": 5}', "must be four pairs", id="number"),
        pytest.param('{"corners_px": [[1,2],[3,4],[5,6]]}', "must be four pairs", id="three"),
        pytest.param('{"corners_px": [[1,2],[3,4],[5,6],[7]]}', "must be four pairs", id="short"),
        pytest.param('{"corners_px": [["a",2],[3,4],[5,6],[7,8]]}', "four pairs", id="text"),
        pytest.param('{"corners_px": [[true,2],[3,4],[5,6],[7,8]]}', "four pairs", id="bool"),
        pytest.param('{"corners_px": [[NaN,2],[3,4],[5,6],[7,8]]}', "not a finite", id="nan"),
        pytest.param("\udcff".encode("utf-8", "surrogateescape"), "is not JSON", id="bytes"),
    ],
)
def test_malformed_corners_are_one_sentence(text, words, tmp_path):
    path = tmp_path / "corners.json"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(CalibrationError, match=words) as caught:
        read_corners(path, SIZE)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("order", "words"),
    [
        pytest.param([0, 2, 1, 3], "cross", id="crossed"),
        pytest.param([3, 2, 1, 0], "clockwise", id="wrong-way-round"),
        pytest.param([[0, 0], [100, 100], [200, 200], [300, 310]], "one line", id="collinear"),
        pytest.param(
            [[320, 500], [9000, 520], [760, 300], [420, 290]], "far outside", id="outside"
        ),
        pytest.param([[320, 500], [320, 500], [760, 300], [420, 290]], "apart", id="twice"),
    ],
)
def test_corners_that_show_no_table_are_one_sentence(order, words, tmp_path):
    corners = [GOOD[k] if isinstance(k, int) else k for k in order]
    path = tmp_path / "corners.json"
    path.write_text(json.dumps({"corners_px": corners}))
    with pytest.raises(CalibrationError, match=words) as caught:
        read_corners(path, SIZE)
    assert str(caught.value).startswith("corners.json: ")


def test_missing_corners_file(tmp_path):
    with pytest.raises(CalibrationError, match="there is no file"):
        read_corners(tmp_path / "none.json", SIZE)
    with pytest.raises(CalibrationError, match="is a folder"):
        read_corners(tmp_path, SIZE)


def test_good_corners_are_read_whatever_else_is_in_the_file(tmp_path):
    path = tmp_path / "corners.json"
    path.write_bytes(b"\xef\xbb\xbf" + json.dumps({"corners_px": GOOD, "camera": {}}).encode())
    assert read_corners(path, SIZE).tolist() == GOOD


def test_place_is_two_numbers():
    assert parse_place("960, 540.5") == (960.0, 540.5)
    with pytest.raises(ValueError, match="not two numbers"):
        parse_place("960")


def test_progress_line_tells_share_and_time_left():
    line = progress_line("drill", Progress(done=0.25, stage="reading", time_left_s=72.4))
    assert line == "drill [######                  ]  25%  1:12 left  reading"


def test_progress_bar_is_drawn_and_taken_away_on_a_terminal():
    import io

    class Terminal(io.StringIO):
        def isatty(self):
            return True

    stream = Terminal()
    with ProgressBar("drill", stream) as bar:
        bar(Progress(done=0.5, stage="reading", time_left_s=None))
    assert "50%" in stream.getvalue()
    assert stream.getvalue().endswith("\r")


def test_the_sample_clip_is_where_demo_looks_for_it():
    root = cli_clip.Path(cli_clip.__file__).resolve().parents[1]
    assert (root / cli_clip.SAMPLE).is_file()


def test_serve_in_words():
    serves = made_analysis(5).serves
    assert name_serve(serves[0]) == "Serve 1, 0:02.00: good (97%), short (98%), left (99%)"
    assert "half-long (72%, close call)" in name_serve(serves[2])
    words = describe_serve(serves[1])
    # x 2.05 m is 0.68 m beyond the end line at 1.37 m (Law 2.1.1); 1.96 * 18 mm = 3.5 cm
    assert "second bounce 68 ± 4 cm beyond the end line, predicted" in words
    assert "pace 5.4 ± 0.2 m/s" in words
    # -180 rad/s are 28.6 turns a second of backspin, -240 to -120 are 38 to 19
    assert describe_spin(serves[0]) == "backspin 29 (19 to 38) turns a second"
    low = replace(serves[0], toss_rise_m=0.12, toss_rise_sd_m=0.015, topspin_lo=float("nan"))
    assert "rise 12 ± 3 cm; the law asks 16" in describe_serve(low)  # Law 2.6.2
    assert describe_spin(low) == "spin not measurable from this view"


def test_clock_carries_over():
    assert clock(59.999) == "1:00.00"
    assert clock(67.5) == "1:07.50"
