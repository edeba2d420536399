"""The sub-commands from end to end, as a user types them."""

from __future__ import annotations

import argparse
import contextlib
import csv
import io
import shutil
from pathlib import Path

import pytest

from placement.cli_records import add_commands
from placement.evidence.commands import write_demo_class
from placement.records import RecordsError
from tests.records.samples import two_turns, write_results


@pytest.fixture(scope="module")
def two_weeks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two clips brought in by the commands, once; tests copy the folder."""
    made = tmp_path_factory.mktemp("two-weeks")
    parser = argparse.ArgumentParser()
    add_commands(parser.add_subparsers(required=True))
    for week, day in enumerate(("2026-01-12", "2026-01-19")):
        folder = made / "out" / f"w{week}"
        write_results(folder, two_turns(), clip=f"w{week}")
        for words in (
            ("import", str(folder), "--group", "9X", "--date", day),
            ("turns", str(week + 1), "AB 10 short left, CD 10 short left", "--add-students"),
        ):
            args = parser.parse_args([words[0], "--store", str(made / "r.sqlite"), *words[1:]])
            with contextlib.redirect_stdout(io.StringIO()):
                assert args.run(args) == 0
    return made


@pytest.fixture
def filmed(two_weeks: Path, tmp_path: Path) -> Path:
    shutil.copytree(two_weeks, tmp_path, dirs_exist_ok=True)
    return tmp_path


def test_a_clip_is_brought_in_named_and_corrected(run, filmed):
    assert "already there" in run("import", str(filmed / "out"))
    assert "w0" in run("drills")
    assert "AB" in run("students", "--group", "9X")
    run("correct", "1", "3", "outcome=let", "--who", "LM", "--why", "touched the net")
    assert "touched the net" in run("correct", "1", "--list")
    shown = run("serves", "1")
    assert "let" in shown
    assert "is 'good' again" in run("correct", "1", "--undo", "--who", "LM")
    assert "let" not in run("serves", "1")
    assert "is 'let' again" in run("correct", "1", "--redo", "--who", "LM")


def test_turns_that_do_not_add_up_are_said(run, tmp_path):
    write_results(tmp_path / "o", two_turns(missed=4))
    run("import", str(tmp_path / "o"))
    out = run("turns", "1", "AB 10 short left, CD 10 short left", "--add-students")
    assert "9 found where 10 were listed" in out
    assert run("turns", "1", "--propose").count(":") >= 2
    run("turns", "1", "--give", "9-10", "--to", "2")
    with pytest.raises(RecordsError, match="no turn 7"):
        run("turns", "1", "--give", "9", "--to", "7")


def test_pages_are_written_and_forgotten_with_their_student(run, filmed):
    out = filmed / "pages"
    said = run("evidence", "AB", "--out", str(out), "--pictures", "svg")
    assert {p.name for p in out.iterdir()} == {
        "evidence-AB.pdf", "evidence-AB.html", "evidence-AB-map.svg", "evidence-AB-trend.svg",
        "evidence-AB-weeks.svg",
    }  # fmt: skip
    assert len(said.splitlines()) == 5
    run("overview", "9X", "--out", str(out))
    with (out / "overview-9X.csv").open(newline="") as stream:
        assert [row["code"] for row in csv.DictReader(stream)] == ["AB", "CD"]
    assert "would remove AB with 20 serves" in run("forget", "AB", status=1)
    told = run("forget", "AB", "--yes")
    assert "20 serves" in told
    assert "overview-9X.pdf may still name AB" in told
    assert not list(out.glob("evidence-AB*"))
    with pytest.raises(RecordsError, match="no student 'AB'"):
        run("figures", "AB")


def test_days_are_compared_in_words_and_in_a_picture(run, filmed):
    said = run("compare", "AB", "--picture", str(filmed / "weeks.png"))
    assert "2026-01-12 against 2026-01-19" in said
    assert "no change" in said
    assert (filmed / "weeks.png").stat().st_size > 5000
    assert "p_hits_corrected" in run("compare", "AB", "--all")


def test_records_are_kept_and_brought_back(run, filmed):
    run("drills", "1", "--keep-until", "2026-02-01")
    assert "2026-02-01" in run("due", "--on", "2026-03-01")
    run("export", str(filmed / "x"))
    run("backup", str(filmed / "b.sqlite"))
    run("drills", "1", "--remove")
    assert "w0" not in run("drills")
    assert "say --yes" in run("restore", str(filmed / "b.sqlite"), status=1)
    run("restore", str(filmed / "b.sqlite"), "--yes")
    assert "w0" in run("drills")


def test_figures_and_notes_are_shown(run, filmed):
    out = run("figures", "AB", "--csv", str(filmed / "f.csv"))
    assert "Called target hit: 20 of 20" in out
    assert "hit_rate" in (filmed / "f.csv").read_text()
    assert "was ill" in run("note", "was ill", "--student", "AB", "--who", "LM")
    assert "9X" in run("groups")
    assert "analysis_id" in run("changes", "1")
    with pytest.raises(RecordsError, match="no longer at"):
        run("locate", "1")


@pytest.mark.parametrize(
    ("words", "match"),
    [
        (("correct", "1", "99", "outcome=let", "--who", "LM"), "no serve 99"),
        (("correct", "1", "1", "outcome", "--who", "LM"), "is no change"),
        (("correct", "1", "1", "pace_m_s=fast", "--who", "LM"), "needs a number"),
        (("correct", "1", "1", "outcome=let"), "say who corrects"),
        (("evidence",), "name a student"),
        (("overview", "10Y"), "no group"),
        (("turns", "1", "--file", "nowhere.csv"), "no file"),
        (("import", "nowhere"), "holds no results"),
        (("serves",), "name a drill"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(run, filmed, words, match):
    with pytest.raises(RecordsError, match=match) as error:
        run(*words)
    assert "\n" not in str(error.value)


def test_a_class_list_is_loaded(run, tmp_path):
    (tmp_path / "class.csv").write_text("code,hand\nAB,left\nCD,\n")
    assert "2 new: AB, CD" in run("students", "--load", str(tmp_path / "class.csv"))
    assert "left" in run("students", "AB", "--group", "9X")


@pytest.mark.slow
def test_the_demo_class_is_made_with_its_pages(tmp_path):
    pages = write_demo_class(None, tmp_path / "demo")
    assert {p.suffix for p in pages} == {".pdf", ".html", ".csv"}
    assert len(pages) == 9
    with pytest.raises(RecordsError, match="already in"):
        write_demo_class(None, tmp_path / "demo")


def test_every_command_has_words_of_its_own():
    parser = argparse.ArgumentParser()
    subparsers = parser.add_subparsers()
    add_commands(subparsers)
    expected = {
        "students", "groups", "note", "import", "drills", "locate", "turns", "serves", "correct",
        "changes", "figures", "compare", "evidence", "overview", "export", "forget", "due",
        "backup", "restore", "demo",
    }  # fmt: skip
    assert set(subparsers.choices) == expected
    assert all(sub.description for sub in subparsers.choices.values())
