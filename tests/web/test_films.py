"""Single frames: the right one, from anywhere, whole or in part."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from placement import results
from placement.analysis import Crop
from placement.video import VideoError
from placement.web.films import Film, FilmShelf
from tests.web.conftest import Page
from tests.web.made import FPS, make_film, make_results, read_number


@pytest.mark.parametrize("order", ["on", "back", "anywhere"])
def test_frame_n_is_the_picture_shown(film_file: Path, order: str) -> None:
    film = Film(film_file)
    numbers = list(range(60))
    if order == "back":
        numbers.reverse()
    elif order == "anywhere":
        numbers = np.random.default_rng(4).permutation(60).tolist()
    assert [read_number(film.picture(n)) for n in numbers] == numbers
    film.close()


def test_times_are_those_of_the_film(film_file: Path) -> None:
    film = Film(film_file)
    np.testing.assert_allclose(film.times, np.arange(60) / FPS, atol=1e-3, rtol=0)
    assert film.index_at(0.5) == 15
    assert film.index_at(-1) == 0
    assert film.index_at(99) == 59
    film.close()


def test_a_part_is_that_part(film_file: Path) -> None:
    film = Film(film_file)
    part = cv2.imdecode(np.frombuffer(film.picture(3, (0, 0, 256, 64)), np.uint8), 1)
    assert part.shape == (64, 256, 3)
    film.close()


@pytest.mark.parametrize("index", [-1, 60, 10**9])
def test_a_frame_that_is_not_there_is_a_sentence(film_file: Path, index: int) -> None:
    film = Film(film_file)
    with pytest.raises(VideoError, match="no frame"):
        film.picture(index)
    film.close()


def test_a_shelf_keeps_few_films_open(tmp_path: Path) -> None:
    shelf = FilmShelf()
    paths = [make_film(tmp_path / f"{k}.mp4", 4) for k in range(4)]
    films = [shelf.film(path) for path in paths]
    assert shelf.film(paths[-1]) is films[-1]
    with pytest.raises(VideoError, match="closed"):
        films[0].picture(0)
    shelf.close()


def test_frames_come_over_the_page(web: Page, filmed: int) -> None:
    for n in (0, 31, 5):
        answer = web.get(f"/films/{filmed}/frames/{n}.jpg?whole=1")
        assert answer.headers["content-type"] == "image/jpeg"
        assert read_number(answer.content) == n
    assert web.get(f"/films/{filmed}/frames/60.jpg").status_code == 422
    assert web.get(f"/films/{filmed}/frames/-1.jpg").status_code == 404
    assert web.get(f"/films/{filmed}/frames/{10**30}.jpg").status_code == 404


def test_the_played_part_is_less_than_the_whole(web: Page, filmed: int) -> None:
    data = web.get(f"/films/{filmed}/serves.json").json()
    left, top, right, bottom = data["region"]
    part = web.get(f"/films/{filmed}/frames/2.jpg").content
    shape = cv2.imdecode(np.frombuffer(part, np.uint8), 1).shape
    assert shape[:2] == (bottom - top, right - left)
    assert data["size"] == [1280, 720]
    assert len(data["times"]) == 60


def test_the_picture_of_a_serve_is_at_its_time(web: Page, filmed: int) -> None:
    serve = web.get(f"/films/{filmed}/serves.json").json()["serves"][2]
    answer = web.get(f"/films/{filmed}/at.jpg?serve={serve['id']}")
    assert read_number(answer.content) == round((serve["t"] + 0.2) * FPS)
    for wrong in ("0", "x", "", "999999"):
        assert web.get(f"/films/{filmed}/at.jpg?serve={wrong}").status_code == 404


def test_small_pictures_are_found_for_films_that_the_command_line_brought_in(
    web: Page, film_file: Path, tmp_path: Path
) -> None:
    film = tmp_path / "films" / "drill.mp4"
    film.write_bytes(film_file.read_bytes())
    folder = make_results(tmp_path / "out", film)
    grey = np.full((48, 64), 90, np.uint8)
    crops = [Crop(time_s=t, frame=round(t * FPS), luma=grey, origin=(10, 20)) for t in (0.5, 1.1)]
    results._write_crops(crops, folder / results.CROPS)
    lines = [f"1,{0.2 + 0.01 * k:.2f},{-1 + 0.04 * k:.2f},0.1,0.2" for k in range(40)]
    (folder / "paths.csv").write_text("\n".join(["serve,time_s,x_m,y_m,z_m", *lines]))
    drill = web.site.store.import_results(folder).drill_id
    data = web.get(f"/films/{drill}/serves.json").json()
    assert [c["t"] for c in data["crops"]] == [0.5, 1.1]
    assert data["crops"][0]["box"] == [10, 20, 64, 48]
    assert len(data["serves"][0]["path"]) == 40
    picture = web.get(f"/films/{drill}/crops/1.jpg").content
    assert cv2.imdecode(np.frombuffer(picture, np.uint8), 0).shape == (48, 64)
    assert web.get(f"/films/{drill}/crops/2.jpg").status_code == 404
