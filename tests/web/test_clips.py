"""Bringing a film in by path, the table found in it, and corners moved by hand."""

from __future__ import annotations

import json
import math
import os
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest

from placement.video import VideoError
from placement.web import tables
from placement.web.clipwork import inside_roots, list_folder
from placement.web.films import Film
from tests.web.conftest import Page
from tests.web.made import true_corners


@pytest.fixture
def clip(web: Page, film_file: Path, tmp_path: Path) -> str:
    """The key of a film brought in by its path."""
    shutil.copy(film_file, tmp_path / "films" / "drill.mp4")
    answer = web.post("/bring/path", {"root": "0", "inside": "drill.mp4"})
    assert answer.status_code == 200
    return str(web.site.state.clips()[0].clip_id)


def test_a_film_taken_by_path_stays_where_it_is(web: Page, clip: str, tmp_path: Path) -> None:
    found = web.site.state.clip(clip)
    assert found.path == (tmp_path / "films" / "drill.mp4").resolve()
    assert not found.owned
    page = web.get(f"/clips/{clip}").text
    assert "2 s long, 1280 × 720, 30 pictures a second" in page
    assert "30 pictures a second is few" in page
    web.post(f"/clips/{clip}/remove", {})
    assert found.path.is_file()
    assert web.site.state.clip(clip) is None


@pytest.mark.parametrize(
    "inside",
    ["../secret.mp4", "/etc/passwd", "a/../../secret.mp4", "..", "link/secret.mp4", ".hidden/a.mp4",
     "a\0b", "\\..\\secret.mp4"],
)  # fmt: skip
def test_no_path_leads_out_of_the_folders(web: Page, tmp_path: Path, inside: str) -> None:
    (tmp_path / "secret.mp4").write_bytes(b"\0\0\0\x18ftypmp42")
    if sys.platform != "win32":
        os.symlink(tmp_path, tmp_path / "films" / "link")
    answer = web.post("/bring/path", {"root": "0", "inside": inside})
    assert answer.status_code == 422
    assert not web.site.state.clips()
    assert web.get("/bring/folder", params={"root": "0", "inside": inside}).status_code == 422


@pytest.mark.parametrize("root", ["1", "-1", "99"])
def test_only_named_folders_can_be_looked_into(web: Page, root: str) -> None:
    assert web.get("/bring/folder", params={"root": root, "inside": ""}).status_code == 422


def test_a_folder_shows_films_and_folders_only(tmp_path: Path) -> None:
    for name in ("b.MOV", "a.mp4", "notes.txt", ".hidden.mp4"):
        (tmp_path / name).touch()
    (tmp_path / "week 2").mkdir()
    view = list_folder((tmp_path,), 0, "")
    assert [name for name, _, _ in view.films] == ["a.mp4", "b.MOV"]
    assert view.folders == (("week 2", "week 2"),)
    with pytest.raises(VideoError, match="leads out"):
        inside_roots((tmp_path / "week 2",), 0, "..")


def test_text_named_as_a_film_is_refused_by_path_too(web: Page, tmp_path: Path) -> None:
    (tmp_path / "films" / "x.mp4").write_text("not a film at all", encoding="utf-8")
    answer = web.post("/bring/path", {"root": "0", "inside": "x.mp4"})
    assert answer.status_code == 422
    assert "x.mp4 is not a film" in answer.json()["sentence"]


def test_the_table_is_found_where_it_was_drawn(web: Page, clip: str) -> None:
    """The still was drawn with a known camera: 1 px is the bar of issue 2."""
    found = web.get(f"/clips/{clip}/table.json").json()
    off = [math.dist(a, b) for a, b in zip(found["view"]["corners"], true_corners(), strict=True)]
    assert max(off) < 1.0
    assert found["view"]["level"] in ("good", "fair")
    assert "±" in found["view"]["words"]
    assert sorted(found["view"]["names"]) == sorted(
        f"{a} {b} corner" for a in ("near", "far") for b in ("left", "right")
    )


def test_moving_a_corner_makes_the_view_worse_and_is_kept(web: Page, clip: str) -> None:
    corners = [list(c) for c in true_corners()]
    right = web.send(f"/clips/{clip}/try", {"corners": corners}).json()["view"]
    corners[1][0] += 12.0
    wrong = web.send(f"/clips/{clip}/try", {"corners": corners}).json()
    assert right["fit_level"] == "good"
    assert wrong["view"] is None or wrong["view"]["fit_level"] != "good"
    assert web.site.state.clip(clip).corners is None  # trying keeps nothing
    corners[1][0] -= 11.0
    assert web.send(f"/clips/{clip}/corners", {"corners": corners}).json()["kept"]
    assert web.site.state.clip(clip).corners == corners
    assert not web.site.state.clip(clip).refine
    snapped = web.send(f"/clips/{clip}/corners", {"corners": corners, "snap": True}).json()
    assert math.dist(snapped["view"]["corners"][1], true_corners()[1]) < 0.5
    again = web.send(f"/clips/{clip}/again", {}).json()
    assert again["view"]
    assert web.site.state.clip(clip).corners is None


@pytest.mark.parametrize(
    "corners",
    [None, [], [[1, 2]] * 4, "x", [[0, 0], [1, 1], [2, 2], [3, 3]], [[1, 2, 3]] * 4,
     [[float("1e400"), 0]] * 4, [["a", "b"]] * 4, {"a": 1}],
)  # fmt: skip
def test_impossible_corners_are_a_sentence(web: Page, clip: str, corners: object) -> None:
    body = json.dumps({"corners": corners})  # with Infinity, as a careless sender might
    answer = web.client.post(f"/clips/{clip}/try", content=body, headers=web.token)
    assert answer.status_code == 200
    assert answer.json()["view"] is None
    assert answer.json()["sentence"]


def test_a_film_that_went_away_is_a_sentence(web: Page, clip: str) -> None:
    web.site.state.clip(clip).path.unlink()
    web.site.films.close()
    assert "no longer at" in web.get(f"/clips/{clip}").text
    answer = web.post(f"/clips/{clip}/start", {})
    assert answer.status_code == 422
    assert "no longer at" in answer.json()["sentence"]


def test_unknown_films_are_not_there(web: Page) -> None:
    for path in ("/clips/nothing", "/clips/nothing/still.jpg", "/films/99/check", "/films/99/map"):
        assert web.get(path).status_code in (404, 422), path


@pytest.fixture
def three(tmp_path: Path, film_file: Path) -> list[str]:
    """Three films in the folder, one of which is none."""
    for name in ("a.mp4", "b.mp4"):
        shutil.copy(film_file, tmp_path / "films" / name)
    (tmp_path / "films" / "text.mp4").write_text("code,hand\n" * 20)
    return ["a.mp4", "b.mp4", "text.mp4"]


def send_ticked(web: Page, *names: str) -> int:
    form = {"root": "0", "inside": list(names)}
    answer = web.client.post("/bring/path", data=form, headers=web.token)
    return int(answer.status_code)


def test_several_films_are_taken_at_once(web: Page, three: list[str]) -> None:
    assert send_ticked(web, *three[:2]) == 200
    assert sorted(c.name for c in web.site.state.clips()) == three[:2]
    assert web.get("/").text.count("Look at the table, then measure") == 2


def test_of_several_films_none_is_taken_where_one_is_no_film(web: Page, three: list[str]) -> None:
    assert send_ticked(web, *three) == 422
    assert send_ticked(web) == 422
    assert web.site.state.clips() == []


def test_the_table_is_looked_for_once(
    web: Page, clip: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = web.get(f"/clips/{clip}/table.json").json()

    def never(*_: object, **__: object) -> None:
        raise AssertionError("it was looked for again")

    monkeypatch.setattr("placement.web.tables.find_table", never)
    assert web.get(f"/clips/{clip}/table.json").json() == first


def test_a_damaged_picture_is_left_out_of_the_still(film_file: Path, tmp_path: Path) -> None:
    class Damaged(Film):
        def colour(self, index: int) -> np.ndarray:
            if index < 20:
                raise VideoError("This one cannot be read.")
            return super().colour(index)

    class Lost(Film):
        def colour(self, index: int) -> np.ndarray:
            raise VideoError("This one cannot be read.")

    whole, damaged, lost = (made(film_file) for made in (Film, Damaged, Lost))
    still = tables.still_of(whole, tmp_path / "whole.jpg")
    less = tables.still_of(damaged, tmp_path / "damaged.jpg")
    assert less.shape == still.shape
    # Nothing in it moves but the numbers of the frames, above the table.
    rows = slice(40, None)
    assert np.abs(less[rows].astype(int) - still[rows]).mean() < 2  # grey levels of compression
    with pytest.raises(VideoError, match="No picture of this film can be read"):
        tables.still_of(lost, tmp_path / "lost.jpg")
    for film in (whole, damaged, lost):
        film.close()
