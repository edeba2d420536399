"""Files that are no usable film: one sentence, a non-zero exit, no traceback, nothing written."""

from fractions import Fraction

import av
import numpy as np
import pytest

from placement import cli, pipeline


def _film(path, size=(640, 480), n=40, *, rate=30, noise=False):
    rng = np.random.default_rng(1)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=rate)
        stream.width, stream.height = size
        stream.pix_fmt = "yuv420p"
        for k in range(n):
            picture = np.full((size[1], size[0], 3), 60 + k % 3, np.uint8)
            if noise:
                picture = rng.integers(0, 255, picture.shape, dtype=np.uint8)
            for packet in stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)


def _sound(path):
    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=44100)
        frame = av.AudioFrame.from_ndarray(
            np.zeros((1, 1024), np.float32), format="fltp", layout="mono"
        )
        frame.sample_rate = 44100
        for k in range(20):
            frame.pts, frame.time_base = 1024 * k, Fraction(1, 44100)
            for packet in stream.encode(frame):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)


def _make(kind, folder):
    path = folder / f"{kind}.mp4"
    if kind == "folder":
        path.mkdir()
    elif kind == "empty":
        path.write_bytes(b"")
    elif kind == "text":
        path.write_text("This is not a film.\n" * 50)
    elif kind == "sound":
        _sound(path)
    elif kind == "cut":  # the index stands at the end of an MP4: cut off, nothing can be found
        _film(path, (160, 120), noise=True)
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    elif kind == "one":
        _film(path, n=1)
    elif kind == "tiny":
        _film(path, size=(16, 16))
    elif kind == "plain":
        _film(path)
    return path


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("missing", "does not exist"),
        ("folder", "is a folder"),
        ("empty", "is empty (0 bytes)"),
        ("text", "cannot be read as a film"),
        ("sound", "holds no picture"),
        ("cut", "cannot be read as a film"),
        ("one", "too few to follow a ball"),
        ("tiny", "too small to see a ball"),
        ("plain", "table"),
    ],
)
def test_bad_input_is_one_sentence_and_nothing_is_written(kind, words, tmp_path, capfd):
    path = _make(kind, tmp_path)
    status = cli.main(["analyse", str(path), "--out", str(tmp_path / "out")])
    out, err = capfd.readouterr()
    assert status == 2
    assert out == ""
    assert words in err
    assert err.startswith("serve-placement: ")
    assert err.count("\n") == 1, err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("size", [(322, 242), (854, 480), (640, 358)])
def test_odd_sizes_without_a_table_are_one_sentence(size, tmp_path, capfd):
    path = tmp_path / "odd.mp4"
    _film(path, size=size)
    assert cli.main(["analyse", str(path), "--out", str(tmp_path / "out")]) == 2
    assert capfd.readouterr().err.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_a_place_that_cannot_be_written_is_one_sentence(tmp_path, capfd):
    _film(tmp_path / "clip.mp4")
    (tmp_path / "out").write_text("a file")
    status = cli.main(["analyse", str(tmp_path / "clip.mp4"), "--out", str(tmp_path / "out")])
    assert status == 2
    assert "is a file, not a folder" in capfd.readouterr().err


def test_ctrl_c_in_the_middle_of_a_film_leaves_nothing(tmp_path, capfd, monkeypatch):
    path = tmp_path / "clip.mp4"
    _film(path)

    class Stopped(pipeline.FilmReader):
        def __iter__(self):
            for sight in super().__iter__():
                if sight.index == 30:
                    raise KeyboardInterrupt
                yield sight

    monkeypatch.setattr(pipeline, "FilmReader", Stopped)
    assert cli.main(["analyse", str(path), "--out", str(tmp_path / "out")]) == 130
    assert capfd.readouterr().err.count("\n") == 1
    assert not (tmp_path / "out").exists()
