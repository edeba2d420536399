"""A film read by another process: the same sights, the same errors, and nothing left behind."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from placement import reader_process, reading
from placement.ball import BallFinder
from placement.reading import Film, FilmReader, read_sights
from placement.tracks import Linker
from placement.video import VideoError, probe_clip, read_key_frames

SCRIPT = """
import sys
from pathlib import Path
from placement.reading import Film, FilmReader
film = Film(path=Path(sys.argv[1]), width=640, height=480, fps=30.0)
with FilmReader(film) as reader:
    print("sights", sum(1 for _ in reader))
"""


@pytest.fixture(scope="module")
def film(tmp_path_factory) -> Film:
    """A disc that flies over a still picture, 50 frames, a key frame every 10."""
    path = tmp_path_factory.mktemp("film") / "ball.mp4"
    rng = np.random.default_rng(4)
    ground = cv2.GaussianBlur(rng.integers(40, 110, (480, 640)).astype(np.uint8), (0, 0), 9)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=30, options={"g": "10", "sc_threshold": "0"})
        stream.width, stream.height, stream.pix_fmt = 640, 480, "yuv420p"
        for k in range(50):
            luma = ground.copy()
            cv2.circle(luma, (50 + 10 * k, 300 - 6 * k + k * k // 10), 5, 230, -1, cv2.LINE_AA)
            picture = av.VideoFrame.from_ndarray(cv2.merge([luma] * 3), format="bgr24")
            for packet in stream.encode(picture):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)
    return Film(path=path, width=640, height=480, fps=30.0, still_times=(0.0, 0.5))


def test_another_process_sees_the_same(film):
    here = list(read_sights(film))
    with FilmReader(film) as reader:
        assert reader.process_id not in (None, os.getpid())
        there = list(reader)
    # the last frames are told when no later one can be waited for
    assert len(here) == len(there) == 50 + BallFinder(640, 480, 30.0).lag
    assert [a.found.frame for a in here if a.found is not None] == list(range(50))
    assert any(a.found is not None and len(a.found.points) for a in here)
    assert [a.index for a in here if a.still is not None] == [0, 15]
    for a, b in zip(here, there, strict=True):
        assert (a.index, a.time_s) == (b.index, b.time_s)
        for one, other in ((a.luma, b.luma), (a.still, b.still)):
            np.testing.assert_array_equal(one, other)
        assert (a.found is None) == (b.found is None)
        if a.found is not None and b.found is not None:
            np.testing.assert_array_equal(a.found.points, b.found.points)
            np.testing.assert_array_equal(list(a.found.patches), list(b.found.patches))
            np.testing.assert_array_equal(list(a.found.reds), list(b.found.reds))


def as_lists(runs) -> list:
    return [
        (r.frames.tolist(), r.members.tolist(), r.times.tolist(), r.points.tolist()) for r in runs
    ]


def test_runs_are_those_of_the_candidates_linked_here(film):
    with FilmReader(film) as reader:
        sights = list(reader)
    linker = Linker(640)  # px: the longer side
    here = [() if s.found is None else tuple(linker.push(s.found)) for s in sights]
    here[-1] = (*here[-1], *linker.finish())
    assert [as_lists(s.runs) for s in sights] == [as_lists(runs) for runs in here]
    # the disc flies until the film's last frame, of which only the last sight tells
    assert max(int(r.frames[-1]) for r in sights[-1].runs) == 49
    disc = max((r for s in sights for r in s.runs), key=lambda r: len(r.times))
    assert len(disc.times) > 25
    k = disc.frames
    place = np.column_stack([50 + 10 * k, 300 - 6 * k + k * k // 10])  # as it was drawn
    assert np.hypot(*(disc.points - place).T).max() < 5  # px: within the disc


def test_without_another_process_it_is_done_here(film, monkeypatch):
    monkeypatch.setattr(sys, "frozen", True, raising=False)
    with FilmReader(film) as reader:
        assert reader.process_id is None
        assert len({s.index for s in reader}) == 50


def test_an_error_over_there_is_raised_here(tmp_path):
    (tmp_path / "no film.mp4").write_text("no film")
    bad = Film(path=tmp_path / "no film.mp4", width=640, height=480, fps=30.0)
    with FilmReader(bad) as reader, pytest.raises(VideoError, match="cannot be read as a film"):
        list(reader)


def test_a_process_that_ends_too_early_is_told(film, monkeypatch):
    monkeypatch.setattr(reader_process, "_ENTRY", "import sys; sys.stdin.buffer.read()")
    with FilmReader(film) as reader, pytest.raises(RuntimeError, match="ended before the film"):
        list(reader)


def test_only_so_many_bytes_are_read_ahead(monkeypatch):
    monkeypatch.setattr(reading, "_AHEAD", 100)
    waiting = reading._Waiting()
    for _ in range(3):
        waiting.put([bytes(40)])
    late = threading.Thread(target=waiting.put, args=([b"late", bytes(36)],), daemon=True)
    late.start()
    late.join(0.2)
    assert late.is_alive()  # 120 bytes wait already
    assert waiting.get() == [bytes(40)]
    late.join(10)
    assert not late.is_alive()
    assert [waiting.get()[0] for _ in range(3)] == [bytes(40), bytes(40), b"late"]
    waiting.put([])
    assert waiting.get() == []


def test_leaving_early_ends_the_process(film):
    with FilmReader(film) as reader:
        next(iter(reader))
        number = reader.process_id
        assert number is not None
    assert reader.ended
    if os.name == "posix":
        with pytest.raises(ProcessLookupError):
            os.kill(number, 0)


def test_a_script_needs_no_main_guard(film, tmp_path):
    (tmp_path / "script.py").write_text(SCRIPT)
    done = subprocess.run(
        [sys.executable, str(tmp_path / "script.py"), str(film.path)],
        capture_output=True, text=True, check=True, cwd=Path(__file__).resolve().parents[2],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[2])},
    )  # fmt: skip
    assert done.stdout.split() == ["sights", str(50 + BallFinder(640, 480, 30.0).lag)]


def test_key_frames_are_read_alone(film):
    assert probe_clip(film.path).keyframe_gap_s == pytest.approx(1 / 3, abs=1e-6)
    frames = list(read_key_frames(film.path, 1.0))
    assert [f.time_s for f in frames] == pytest.approx([0, 1 / 3, 2 / 3, 1.0], abs=1e-6)
    whole = [s.luma for s in read_sights(film)]
    np.testing.assert_array_equal(frames[0].luma, whole[0])


def test_a_process_made_ready_reads_the_next_film(film):
    reader_process.prepare()
    reader_process.prepare()  # one is enough
    waiting = reader_process.taken()
    assert waiting is not None
    reader_process.prepare()
    second = reader_process.taken()
    assert second is not None
    assert second.pid != waiting.pid
    for process in (waiting, second):
        process.kill()
        process.communicate()
    reader_process.prepare()
    with FilmReader(film) as reader:
        assert len({s.index for s in reader}) == 50
    reader_process.discard()  # nothing is waiting: it was taken


def test_a_process_that_nothing_was_told_ends_by_itself():
    reader_process.prepare()
    process = reader_process.taken()
    assert process is not None
    out, _ = process.communicate(timeout=30)
    assert out == b""
    assert process.returncode == 0


def test_a_process_made_ready_in_vain_is_ended():
    reader_process.prepare()
    process = reader_process._ready
    assert process is not None
    reader_process.discard()
    assert process.returncode is not None
