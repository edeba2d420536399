"""Looking: each page of the invented class opens, each link leads somewhere, each file is one."""

from __future__ import annotations

import csv
import io
import re
import subprocess
import sys
import zipfile

import pytest

from placement.democlass import GROUP
from tests.web.conftest import Page, links_in

START = ("/", "/groups", "/students", "/keep", "/about", "/bring", f"/group?name={GROUP}",
         "/student?code=AK", "/films/1/map", "/films/1/check", "/films/1/turns",
         "/films/1/about", "/wall?film=1", f"/wall?group={GROUP}",
         "/students/one?code=AK")  # fmt: skip


_OPENED: set[str] = set()  # links stand on many pages; each is followed once


@pytest.mark.parametrize("path", START)
def test_every_page_opens_and_every_link_leads_somewhere(demo_page: Page, path: str) -> None:
    html = demo_page.get(path).text
    assert "<h1" in html
    assert html.count("<h1") == 1
    tried = 0
    for link in links_in(html):
        if link in _OPENED:
            tried += 1
            continue
        if "pictures/" in link or "/files/" in link or "serve=" in link or "overview" in link:
            continue  # tried below, one of each
        if link.startswith(("/keep/backup", "/keep/export")):
            continue
        assert demo_page.get(link).status_code == 200, link
        _OPENED.add(link)
        tried += 1
        if tried > 15:
            break
    assert tried > 5


def test_every_dot_leads_to_its_serve(demo_page: Page) -> None:
    html = demo_page.get("/student?code=AK").text
    links = re.findall(r'href="(/films/(\d+)/check\?serve=(\d+))"', html)
    serves = demo_page.site.store.serves(student_code="AK")
    landed = serves[(serves["outcome"] == "good") & serves["landing_x_m"].notna()]
    assert {int(serve) for _, _, serve in links} == set(landed["serve_id"])
    for _, film, serve in links[:5]:
        row = serves[serves["serve_id"] == int(serve)].iloc[0]
        assert row["drill_id"] == int(film)


def test_targets_films_and_sides_can_be_chosen(demo_page: Page) -> None:
    html = demo_page.get("/student?code=AK&target=short left&film=1").text
    serves = demo_page.site.store.serves(student_code="AK", drill_id=1)
    n = len(serves[(serves["target_depth"] == "short") & (serves["target_side"] == "left")])
    assert f"Figures of the {n} serves shown" in html
    server = re.findall(r'cx="(-?[\d.]+)" cy="(-?[\d.]+)" r="2.1"', html)
    other = demo_page.get("/student?code=AK&target=short left&film=1&view=receiver").text
    receiver = re.findall(r'cx="(-?[\d.]+)" cy="(-?[\d.]+)" r="2.1"', other)
    turned = [(-float(x), -float(y)) for x, y in server]
    assert [(float(x), float(y)) for x, y in receiver] == turned


def test_weeks_are_compared_in_words(demo_page: Page) -> None:
    html = demo_page.get("/student?code=AK&first=2026-01-12&second=2026-01-26").text
    assert "Called targets hit:" in html
    assert 'value="2026-01-26" selected' in html


@pytest.mark.parametrize(
    ("path", "kind", "head"),
    [
        ("/student/pictures/map.png?code=AK", "image/png", b"\x89PNG"),
        ("/student/pictures/map.svg?code=AK", "image/svg+xml", b"<?xml"),
        ("/student/pictures/map.pdf?code=AK", "application/pdf", b"%PDF"),
        ("/student/pictures/trend.png?code=AK", "image/png", b"\x89PNG"),
        ("/student/pictures/weeks.png?code=AK", "image/png", b"\x89PNG"),
        ("/films/1/map.png", "image/png", b"\x89PNG"),
        ("/student/files/evidence.pdf?code=AK", "application/pdf", b"%PDF"),
        ("/student/files/evidence.html?code=AK", "text/html", b"<!doctype html>"),
        (f"/group/overview.pdf?name={GROUP}", "application/pdf", b"%PDF"),
        (f"/group/overview.html?name={GROUP}", "text/html", b"<!doctype html>"),
    ],
)
def test_every_file_is_what_it_says(demo_page: Page, path: str, kind: str, head: bytes) -> None:
    answer = demo_page.get(path)
    assert answer.headers["content-type"].startswith(kind)
    assert answer.content.lstrip().lower().startswith(head.lower())


def test_tables_come_as_csv(demo_page: Page) -> None:
    text = demo_page.get("/student/files/serves.csv?code=AK").content.decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert len(rows) == len(demo_page.site.store.serves(student_code="AK"))
    assert {row["code"] for row in rows} == {"AK"}
    text = demo_page.get(f"/group/overview.csv?name={GROUP}").content.decode("utf-8-sig")
    assert len(list(csv.DictReader(io.StringIO(text)))) == 12


def test_everything_is_exported_in_one_file(demo_page: Page) -> None:
    answer = demo_page.get("/keep/export.zip")
    names = zipfile.ZipFile(io.BytesIO(answer.content)).namelist()
    assert any(name.endswith("serve.csv") for name in names)
    assert not any("student_name" in name for name in names)


def test_the_wall_names_nobody(demo_page: Page) -> None:
    codes = demo_page.site.store.students(GROUP)["code"].tolist()
    for path in ("/wall?film=1", f"/wall?group={GROUP}"):
        main = demo_page.get(path).text.split("<main")[1].split("</main>")[0]
        for code in codes:
            assert not re.search(rf"\b{code}\b", main), code


@pytest.mark.parametrize(
    "path",
    ["/student", "/student?code=QX", "/group?name=none", "/wall", "/wall?film=x", "/wall?film=99",
     "/student/pictures/map.gif?code=AK", "/student/pictures/none.png?code=AK",
     "/student/files/none.csv?code=AK", "/student?code=..%2f", "/films/99/map.png"],
)  # fmt: skip
def test_what_is_not_there_is_a_sentence(demo_page: Page, path: str) -> None:
    answer = demo_page.get(path, headers={"Accept": "text/html"})
    assert 400 <= answer.status_code < 500
    assert "That did not work" in answer.text
    assert "`" not in answer.text.split("<main")[1]


def test_each_figure_says_what_it_is(demo_page: Page) -> None:
    html = demo_page.get("/student?code=AK").text
    part = html.split('class="figures"')[1].split("</section>")[0]
    assert part.count('class="figure"') == part.count("What is this?") == 11


def test_plots_and_statistics_are_not_waited_for_at_the_start():
    """They took more than half of the time to the first page."""
    heavy = ("matplotlib", "scipy.stats", "typst")
    words = f"import sys, placement.web.app; print([m for m in {heavy} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", words], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_films_map_leads_to_every_students_printed_page(demo_page: Page) -> None:
    html = demo_page.get("/films/1/map").text
    codes = set(demo_page.site.store.serves(drill_id=1)["code"])
    assert codes
    assert set(re.findall(r'/student/files/evidence\.pdf\?code=(\w+)"', html)) == codes


@pytest.mark.parametrize(
    "path",
    ["/films/1/map", "/films/1/check", "/films/1/turns", "/student?code=AK",
     "/group?name=Demo class (invented)"],
)  # fmt: skip
def test_what_stands_on_a_screen_is_explained_there(demo_page: Page, path: str) -> None:
    assert demo_page.get(path).text.count("What is this?") >= 1
