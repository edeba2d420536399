"""Compiled functions: made of what is listed, made anew when that changes, as good as Python."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from placement import compiled as module
from placement import meeting_fit
from placement.ball_fit import fit_pictures
from placement.ball_model import DEFAULT_SHADING, tone
from placement.collocation import fly, landing
from placement.compiled import SOURCES, compiled


def test_every_file_with_compiled_functions_is_listed():
    holders = {
        path.name
        for path in module._HOME.rglob("*.py")
        if "import compiled" in path.read_text(encoding="utf-8")
        or ", compiled" in path.read_text(encoding="utf-8")
    }
    assert holders
    assert holders <= set(SOURCES)


def test_the_place_of_machine_code_changes_with_what_it_is_made_of(tmp_path, monkeypatch):
    home = tmp_path / "placement"
    for name in SOURCES:
        (home / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(module._HOME / name, home / name)
    monkeypatch.setattr(module, "_HOME", home)

    def folder():
        monkeypatch.setattr(module, "_found", None)
        return module._folder()

    first = folder()
    first.mkdir(parents=True)
    (first / "old.nbc").write_bytes(b"code")
    assert folder() == first
    assert (first / "old.nbc").exists()
    with (home / "flight.py").open("a") as source:
        source.write("GRAVITY = 1.62\n")
    assert folder() != first
    assert not first.exists()  # code that nothing runs any more is thrown away


def test_each_function_is_kept_in_one_form():
    # Processes that compile at once may name the code of two forms alike: see test_compare.
    kept = [path.name for path in module._folder().rglob("*.nbc")]
    assert [name for name in kept if not name.endswith(".1.nbc")] == []


def test_where_machine_code_cannot_be_kept_it_is_made_all_the_same(tmp_path, monkeypatch):
    blocked = tmp_path / "file"
    blocked.write_text("no folder")
    monkeypatch.setattr(module, "_found", blocked / "inside")

    def twice(x):
        return 2 * x

    assert compiled(twice)(21) == 42


def test_compiled_and_plain_python_give_the_same_flight():
    nodes, plain = np.empty((12, 7)), np.empty((12, 7))
    given = (6.0, 0.8, 1.5), (120.0, -200.0, 150.0), 0.45, 1.0, 0.4
    n = fly(*given, nodes)
    assert fly.py_func(*given, plain) == n
    np.testing.assert_allclose(nodes[:n], plain[:n], rtol=1e-13)
    assert landing(1.5, 0.4, n, nodes) == pytest.approx(landing.py_func(1.5, 0.4, n, plain))


def test_compiled_and_plain_python_give_the_same_picture_fit():
    rng = np.random.default_rng(5)
    light, slope = tone(0.3)
    v, u = np.mgrid[:28, :28]
    patches = rng.integers(60, 64, (1, 3, 28, 28)).astype(np.uint8)
    patches[0, 1][np.hypot(u - 14.3, v - 13.8) < 5] = 200
    shading = np.array(DEFAULT_SHADING, np.float32)
    results = []
    for function in (fit_pictures, fit_pictures.py_func):
        numbers = np.empty((1, 9))
        grain = function(
            patches, np.array([[14.0, 14.0]]), np.array([5.0]), np.array([[300.0, 200.0]]), light,
            slope, shading, 0.004, np.float32(0.8), 2.5, 5, numbers,
        )  # fmt: skip
        results.append((numbers, np.array(grain)))
    # sums in single precision, added up in another order
    np.testing.assert_allclose(results[0][0], results[1][0], rtol=2e-3)
    np.testing.assert_allclose(results[0][1], results[1][1], rtol=1e-5)
    # an evenly lit disc, not the sphere lit from above that is fitted
    assert results[0][0][0, :2] == pytest.approx([14.3, 13.8], abs=1.0)


def test_compiled_and_plain_python_expect_the_same_of_a_bounce():
    camera = np.array(
        [1500, 1500, 960, 540, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0, -1, 0, 1, 0, 0, 0.5, 4.0], float
    )
    theta = np.array([0.1, -0.8, 0.2, 4.0, 0.3, -2.0, 3.2, 0.3, 1.8])
    times, points = np.linspace(0, 0.2, 9), np.full((9, 2), 700.0)
    rows, plain = np.empty(24), np.empty(24)
    meeting_fit._residuals(theta, times, points, 1.5, camera, rows)
    meeting_fit._residuals.py_func(theta, times, points, 1.5, camera, plain)
    np.testing.assert_allclose(rows, plain, rtol=1e-10)


_FOLLOWED = """
import numpy as np
from placement.tracing import Tracer
from tests.placement.flown import RATE, camera_beside, candidates, good_serve, times_of
camera = camera_beside()
tracer = Tracer(camera, RATE)  # without a look: it is learnt as well
rng = np.random.default_rng(1)
frames, _ = candidates(camera, good_serve(), times_of(0.9, 2.2), rng, clutter=5)
for frame in frames.values():
    tracer.push(frame)
for found in tracer.finish().paths:
    print(found.path.theta.tobytes().hex(), found.path.covariance.tobytes().hex())
"""


@pytest.mark.slow
def test_the_run_that_compiles_gives_the_same_numbers_as_later_ones(tmp_path):
    # to the last bit: what a film shows now and then hangs on less than a millimetre
    home = Path(module.__file__).parents[1]
    for name in ("placement", "calibration"):
        shutil.copytree(home / name, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__"))
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(tmp_path), str(home)])}
    told = []
    for made_before in (False, True):
        assert (tmp_path / "placement" / "__pycache__" / "compiled").is_dir() is made_before
        told.append(
            subprocess.run(
                [sys.executable, "-P", "-c", _FOLLOWED], env=environment, check=True,
                capture_output=True, text=True,
            ).stdout
        )  # fmt: skip
    assert told[0]
    assert told[0] == told[1]
