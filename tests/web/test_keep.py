"""Keeping house: students, class lists, forgetting, dates, backups; the empty page and the demo."""

from __future__ import annotations

import datetime
import os
import re
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from placement.democlass import GROUP
from placement.web.check import needs_look
from tests.web.conftest import Page, open_page


def test_a_new_user_sees_one_sentence_one_button_and_the_demo(web: Page) -> None:
    html = web.get("/").text
    main = html.split("<main")[1].split("</main>")[0]
    assert main.count("<h1>") == 1
    assert html.count("Bring a film in") == 1
    assert "invented class" in main


def test_the_demo_class_comes_and_goes(web: Page) -> None:
    assert "12 students, 10 films" in web.post("/demo", {}).text
    assert web.post("/demo", {}).status_code == 200  # once more changes nothing
    assert len(web.site.store.students()) == 12
    assert (web.site.store.drills()["keep_until"] > datetime.date.today().isoformat()).all()
    web.site.store.add_student("MINE")
    home = web.post("/demo/remove", {})
    assert home.status_code == 200
    assert web.site.store.students()["code"].tolist() == ["MINE"]
    assert not len(web.site.store.drills())
    assert GROUP not in web.site.store.groups()["name"].tolist()


def test_students_are_added_changed_and_noted(web: Page) -> None:
    web.post("/students", {"code": "AB", "hand": "left", "group": "9B", "name": "Invented Name"})
    assert "Invented Name" not in web.get("/students").text
    assert "Invented Name" in web.get("/students?names=1").text
    web.post("/students/one", {"code": "AB", "new_code": "1204", "hand": "right", "name": ""})
    who = web.site.store.student("1204")
    assert (who.hand, who.name, who.groups) == ("right", "", ("9B",))
    page = web.post("/students/note", {"code": "1204", "text": "wrist", "who": "LM"})
    assert "wrist" in page.text
    again = web.post("/students", {"code": "1204"})
    assert again.status_code == 422
    assert "already" in again.json()["sentence"]


def test_a_class_list_is_read_whole_or_not_at_all(web: Page) -> None:
    page = web.post(
        "/students/list", {"list": "\ufeffcode,hand\nAB,right\nCD,left\n", "group": "9B"}
    )
    assert "2 new: AB, CD." in page.text
    wrong = web.post("/students/list", {"list": "code,hand\nEF,right\nG H,left\n"})
    assert wrong.status_code == 422
    assert "line 3" in wrong.json()["sentence"]
    assert web.site.store.students()["code"].tolist() == ["AB", "CD"]


def test_a_student_is_forgotten_only_when_it_is_meant(web: Page, filmed: int) -> None:
    web.site.store.set_turns(filmed, "AB 3, CD 3", make_students=True)
    slip = web.post("/students/forget", {"code": "AB", "sure": "CD"})
    assert slip.status_code == 422
    assert len(web.site.store.students()) == 2
    backup = web.get("/keep/backup.sqlite").content
    page = web.post("/students/forget", {"code": "AB", "sure": "AB"})
    assert "Removed of AB" in page.text
    assert web.site.store.students()["code"].tolist() == ["CD"]
    assert not web.site.state.turn_changes("done")
    # An old backup does not bring the student back.
    said = web.client.post("/keep/restore", content=backup, headers=web.token).json()["said"]
    assert "1 forgotten" in said
    assert web.site.store.students()["code"].tolist() == ["CD"]


def test_a_backup_comes_back(web: Page) -> None:
    web.post("/students", {"code": "AB"})
    backup = web.get("/keep/backup.sqlite")
    assert backup.content.startswith(b"SQLite format 3\0")  # sqlite.org, "Database File Format"
    web.post("/students", {"code": "CD"})
    answer = web.client.post("/keep/restore", content=backup.content, headers=web.token)
    assert answer.status_code == 200
    assert web.site.store.students()["code"].tolist() == ["AB"]


@pytest.mark.parametrize("content", [b"", b"text", b"SQLite format 3\0" + bytes(500)])
def test_what_is_no_backup_changes_nothing(web: Page, content: bytes) -> None:
    web.post("/students", {"code": "AB"})
    answer = web.client.post("/keep/restore", content=content, headers=web.token)
    assert answer.status_code in (415, 422)
    assert web.site.store.students()["code"].tolist() == ["AB"]
    assert not list(Path(web.site.settings.data).glob(".restore-*"))


def test_what_is_past_its_day_is_shown_and_removed(web: Page, filmed: int) -> None:
    assert "1 film without a day" in web.get("/keep").text
    yesterday = (datetime.date.today() - datetime.timedelta(days=1)).isoformat()
    web.post("/keep/date", {"keep_until": yesterday})
    assert "Remove them" in web.get("/keep").text
    assert web.post("/keep/due", {}).status_code == 422
    assert "1 removed." in web.post("/keep/due", {"sure": "yes"}).text
    assert not len(web.site.store.drills())


def test_the_lesson_is_described_and_removed(web: Page, filmed: int) -> None:
    web.post(f"/films/{filmed}/about", {"group": "9C", "filmed_on": "2026-03-02", "asked": "short"})
    assert web.site.store.drill(filmed).group == "9C"
    bad = web.post(f"/films/{filmed}/about", {"filmed_on": "2026-13-45"})
    assert bad.status_code == 422
    assert web.post(f"/films/{filmed}/remove", {}).status_code == 422
    web.post(f"/films/{filmed}/remove", {"sure": "yes"})
    assert not len(web.site.store.drills())


def test_where_everything_is_and_what_it_is_made_with(web: Page) -> None:
    keep = web.get("/keep").text
    assert str(web.site.settings.data) in keep
    about = web.get("/about").text
    assert "MIT licence" in about
    assert "htmx" in about
    assert web.get("/static/htmx.LICENSE.txt").status_code == 200


def test_the_program_can_be_ended_from_the_page(web: Page) -> None:
    asked = []
    web.site.quit = lambda: asked.append(True)
    assert "has ended" in web.post("/stop", {}).text
    assert asked == [True]


def test_bringing_a_backup_back_can_be_taken_back(web: Page) -> None:
    web.post("/students", {"code": "AB"})
    backup = web.get("/keep/backup.sqlite").content
    web.post("/students", {"code": "CD"})
    said = web.client.post("/keep/restore", content=backup, headers=web.token).json()["said"]
    (kept,) = (web.site.settings.data / "backups").glob("before-*")
    assert str(kept) in said
    web.client.post("/keep/restore", content=kept.read_bytes(), headers=web.token)
    assert web.site.store.students()["code"].tolist() == ["AB", "CD"]


@pytest.mark.parametrize("kind", ["trigger", "view"])
def test_a_backup_that_would_act_by_itself_is_refused(web: Page, tmp_path: Path, kind: str) -> None:
    web.post("/students", {"code": "AB"})
    path = tmp_path / "evil.sqlite"
    path.write_bytes(web.get("/keep/backup.sqlite").content)
    act = "DELETE FROM serve; END" if kind == "trigger" else "SELECT 1"
    on = "AFTER INSERT ON student BEGIN" if kind == "trigger" else "AS"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"CREATE {kind} evil {on} {act}")
    web.post("/students", {"code": "CD"})
    answer = web.client.post("/keep/restore", content=path.read_bytes(), headers=web.token)
    assert answer.status_code == 422
    assert web.site.store.students()["code"].tolist() == ["AB", "CD"]


def test_a_film_without_a_day_stands_first(web: Page, filmed: int) -> None:
    put_demo = web.post("/demo", {})
    assert put_demo.status_code == 200
    rows = re.findall(r'<th scope="row"><a href="/films/(\d+)/map">', web.get("/").text)
    assert int(rows[0]) == filmed


def test_what_a_power_cut_left_is_swept(tmp_path: Path) -> None:
    data = tmp_path / "page"
    data.mkdir()
    for name in (".restore-1.sqlite", ".export-1.zip"):
        (data / name).write_bytes(b"records")
        os.utime(data / name, (1e9, 1e9))
    (data / ".export-2").mkdir()
    (data / ".export-2" / "serves.csv").write_text("code")
    os.utime(data / ".export-2", (1e9, 1e9))
    fresh = data / ".restore-2.sqlite"  # another window may be at it
    fresh.write_bytes(b"records")
    with open_page(tmp_path):
        assert sorted(data.glob(".[re]*-*")) == [fresh]


def test_films_that_never_arrived_whole_are_shown_and_deleted(web: Page, film_file: Path) -> None:
    assert "did not arrive whole" not in web.get("/keep").text
    start = web.send("/uploads/new", {"name": "a.mp4", "size": 10_000, "mark": "1"}).json()
    web.put(f"/uploads/{start['id']}?from=0", film_file.read_bytes()[:5000])
    assert "1 film did not arrive whole" in web.get("/keep").text
    assert "1 film that never arrived" in web.post("/keep/uploads", {}).text
    assert not list((web.site.settings.data / "uploads").iterdir())
    assert "did not arrive whole" not in web.get("/keep").text


def test_the_first_page_counts_anew_when_something_was_changed(web: Page, filmed: int) -> None:
    """What is kept of a film's counts holds only while its serves are the same."""

    def following() -> str:
        found = re.search(r'<a class="button" href="/films/\d+/\w+">([^<]+)</a>', web.get("/").text)
        assert found is not None
        return found.group(1)

    assert following() == "Say who served"
    assert following() == "Say who served"
    web.site.store.set_turns(filmed, "AB 6", make_students=True)
    assert following() == "Check 2"  # the film has two doubtful serves of six
    serves = web.site.store.serves(drill_id=filmed)
    doubtful = serves[needs_look(serves)]["serve_id"].tolist()
    web.site.store.correct(
        doubtful[0], {"outcome": "net", "checked": True}, who="LM", seen_revision=0
    )
    assert following() == "Check 1"
    web.site.store.correct(doubtful[1], {"removed": True}, who="LM", seen_revision=0)
    assert following() == "Look"
    web.site.store.undo(filmed, who="LM")
    assert following() == "Check 1"
