"""Films streamed in: sliced, resumed, limited, checked by content, never placed by their name."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from starlette.routing import Route

from placement.web.clipwork import safe_name
from placement.web.state import DONE
from tests.web.conftest import Page, open_page


def begin(web: Page, name: str, size: int) -> dict[str, object]:
    answer = web.send("/uploads/new", {"name": name, "size": size, "mark": "1700000000000"})
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def test_a_film_comes_in_slices_and_is_the_same(web: Page, film_file: Path) -> None:
    content = film_file.read_bytes()
    half = len(content) // 2
    start = begin(web, "lesson.mp4", len(content))
    first = web.put(f"/uploads/{start['id']}?from=0", content[:half])
    assert first.json() == {"received": half}
    done = web.put(f"/uploads/{start['id']}?from={half}", content[half:])
    clip = web.site.state.clip(done.json()["clip"])
    assert clip.path.read_bytes() == content
    assert clip.name == "lesson.mp4"
    assert clip.info["width"] == 1280
    assert clip.path.is_relative_to(web.site.settings.data)
    assert clip.info["day"] == "2023-11-14"  # 1700000000 s after 1970 began, by the calendar
    assert not list((web.site.settings.data / "uploads").iterdir())


def test_a_broken_upload_goes_on_after_a_restart(tmp_path: Path, film_file: Path) -> None:
    content = film_file.read_bytes()
    with open_page(tmp_path) as web:
        start = begin(web, "lesson.mp4", len(content))
        web.put(f"/uploads/{start['id']}?from=0", content[:5000])
    with open_page(tmp_path) as web:
        again = begin(web, "lesson.mp4", len(content))
        assert again == {"id": start["id"], "received": 5000}
        done = web.put(f"/uploads/{again['id']}?from=5000", content[5000:])
        assert web.site.state.clip(done.json()["clip"]).path.read_bytes() == content


def test_a_slice_at_the_wrong_place_is_told_the_right_one(web: Page, film_file: Path) -> None:
    content = film_file.read_bytes()
    start = begin(web, "lesson.mp4", len(content))
    web.put(f"/uploads/{start['id']}?from=0", content[:5000])
    for place in (0, 4000, 6000):
        answer = web.put(f"/uploads/{start['id']}?from={place}", content[place : place + 10])
        assert (answer.status_code, answer.json()["received"]) == (409, 5000)


@pytest.mark.parametrize(
    "content",
    [b"code,hand\nAB,right\n" * 20, b"<html><script>1</script>" * 20, b"\x7fELF" + bytes(400)],
    ids=["text", "page", "program"],
)
def test_what_is_no_film_is_refused_by_its_content(web: Page, content: bytes) -> None:
    start = begin(web, "lesson.mp4", len(content))
    answer = web.put(f"/uploads/{start['id']}?from=0", content)
    assert answer.status_code == 415
    assert "lesson.mp4" in answer.json()["sentence"]
    assert not list((web.site.settings.data / "uploads").iterdir())
    assert not web.site.state.clips()


def test_a_damaged_film_is_a_sentence(web: Page, film_file: Path) -> None:
    content = film_file.read_bytes()[:200] + bytes(2000)
    start = begin(web, "lesson.mp4", len(content))
    answer = web.put(f"/uploads/{start['id']}?from=0", content)
    assert answer.status_code == 415
    assert ".part" not in answer.json()["sentence"]


def test_limits(tmp_path: Path, film_file: Path) -> None:
    with open_page(tmp_path, most_bytes=10_000) as web:
        too_large = web.send("/uploads/new", {"name": "a.mp4", "size": 10_001, "mark": ""})
        assert too_large.status_code == 413
        for size in (0, -5, "9", None, True, 1.5):
            answer = web.send("/uploads/new", {"name": "a.mp4", "size": size, "mark": ""})
            assert answer.status_code == 400
        start = begin(web, "a.mp4", 100)
        more = web.put(f"/uploads/{start['id']}?from=0", film_file.read_bytes()[:5000])
        assert more.status_code == 413


def test_an_unknown_upload_is_refused(web: Page) -> None:
    for key in ("nothing", "..%2f..%2fetc", "0" * 24):
        assert web.put(f"/uploads/{key}?from=0", b"x").status_code == 404


@pytest.mark.parametrize(
    ("told", "kept"),
    [
        ("../../etc/passwd.mp4", "passwd.mp4"),
        ("C:\\films\\a.MOV", "a.MOV"),
        ("..", "film.mp4"),
        ("", "film.mp4"),
        ("a\0b.mp4", "a_b.mp4"),
        ("lesson.php", "lesson.php.mp4"),
        ("<img src=x>.mp4", "_img src_x_.mp4"),
        (".hidden.mp4", "hidden.mp4"),
    ],
)
def test_a_name_is_only_a_name(told: str, kept: str) -> None:
    assert safe_name(told) == kept


def test_an_upload_can_be_given_up(web: Page) -> None:
    start = begin(web, "a.mp4", 100)
    web.put(f"/uploads/{start['id']}?from=0", bytes(10))
    assert web.send(f"/uploads/{start['id']}/drop", {}).status_code == 200
    assert not list((web.site.settings.data / "uploads").iterdir())


def test_two_windows_that_send_one_film_do_not_mix_its_parts(web: Page, film_file: Path) -> None:
    content = film_file.read_bytes()
    start = begin(web, "lesson.mp4", len(content))
    half = len(content) // 2
    path = f"/uploads/{start['id']}?from=0"
    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda _: web.put(path, content[:half]), range(4)))
    assert sorted(a.status_code for a in answers) == [200, 409, 409, 409]
    assert {a.json()["received"] for a in answers} == {half}
    done = web.put(f"/uploads/{start['id']}?from={half}", content[half:])
    assert web.site.state.clip(done.json()["clip"]).path.read_bytes() == content


@pytest.mark.parametrize(
    "name",
    ["page.html", "run.sh", "x.svg", "a.exe", "$(touch pwned); touch pwned; `touch pwned`.mp4"],
)
def test_nothing_is_run_from_what_was_uploaded(
    web: Page, film_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    content = film_file.read_bytes()
    start = begin(web, name, len(content))
    clip_id = web.put(f"/uploads/{start['id']}?from=0", content).json()["clip"]
    path = web.site.state.clip(clip_id).path
    assert path.suffix == ".mp4"
    if os.name == "posix":
        assert path.stat().st_mode & 0o111 == 0  # nobody may execute it
    if "touch" in name:  # what a shell would run; and the name goes to no command line
        web.post(f"/clips/{clip_id}/start", {})
        web.wait_for(lambda: web.site.state.latest_job(clip_id).state == DONE)
    assert not list(Path.cwd().glob("pwned*"))
    assert not list(tmp_path.rglob("pwned"))
    # And no address hands it to a browser as it is.
    for route in web.client.app.routes:  # type: ignore[attr-defined]
        if isinstance(route, Route) and "GET" in (route.methods or ()):
            asked = route.path.replace("{clip_id}", clip_id)
            for what in ("{drill_id:int}", "{index:int}"):
                asked = asked.replace(what, "1")
            answer = web.get(asked)
            assert content[:64] not in answer.content
            assert answer.headers["x-content-type-options"] == "nosniff"
