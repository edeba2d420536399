"""README holds what CI and users rely on: commands, every column, every file of a result."""

import re
import shlex
from pathlib import Path

import pytest

from placement import cli
from placement.analysis import BOUNCE_COLUMNS, SERVE_COLUMNS

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("column", sorted({*BOUNCE_COLUMNS, *SERVE_COLUMNS}))
def test_every_column_is_explained(column):
    tables = README.split("### bounces.csv")[1].split("## How accurate is it?")[0]
    assert f"`{column}`" in tables


def test_the_tests_command_is_where_ci_looks_for_it():
    part = README.split("<!-- tests: begin -->")[1].split("<!-- tests: end -->")[0]
    (command,) = [line for line in part.splitlines() if "pytest" in line]
    assert command.count(" && ") == 2
    last = shlex.split(command.split(" && ")[-1])
    assert last[1:3] == ["-m", "pytest"]


@pytest.mark.parametrize("place", re.findall(r"\]\((sample_frames/[^)]+)\)", README))
def test_every_picture_is_there(place):
    assert (ROOT / place).is_file()


def test_every_command_named_is_one():
    known = {name for group in cli.GROUPS.values() for name in group}
    named = set(re.findall(r"^serve-placement ([a-z-]+)", README, flags=re.MULTILINE))
    assert named
    assert named <= known


def test_the_top_level_holds_nothing_else():
    allowed = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "placement",
               "calibration", "tests", "sample_frames"}  # fmt: skip
    listed = _tracked()
    tops = {Path(name).parts[0] for name in listed}
    assert {t for t in tops if not t.startswith(".")} <= allowed


def _tracked():
    import subprocess

    done = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if done.returncode == 0 and done.stdout:
        return done.stdout.splitlines()
    return [p.name for p in ROOT.iterdir() if p.suffix not in (".egg-info", ".log")]
