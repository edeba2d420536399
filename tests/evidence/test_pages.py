"""The pages as files: whole in themselves, safe against what was typed, and honest in words."""

from __future__ import annotations

import re
import zlib

import numpy as np
import pytest

from placement.evidence import words
from placement.evidence.group import gather_group
from placement.evidence.overview import overview_html, overview_pdf
from placement.evidence.pages import student_html, student_pdf
from placement.evidence.parts import bar_svg, write_whole
from placement.evidence.strip import Still
from placement.evidence.student import gather_student, quality_words
from placement.records import RecordsError
from tests.records.samples import two_turns, write_results

TODAY = "2026-02-20"
GROUP = "Demo class (invented)"


@pytest.fixture(scope="module")
def evidence(demo):
    return gather_student(demo, "AK", today=TODAY)


def _pdf_objects(pdf: bytes) -> bytes:
    """The PDF with its compressed streams laid open (ISO 32000-1, 7.4.4 and 7.5.7)."""
    parts = [pdf]
    for found in re.finditer(rb"stream\r?\n(.*?)endstream", pdf, re.DOTALL):
        try:
            parts.append(zlib.decompressobj().decompress(found[1]))
        except zlib.error:
            continue  # pictures in another coding
    return b"\n".join(parts)


def test_the_html_asks_nothing_of_a_network_and_runs_nothing(evidence):
    page = student_html(evidence)
    assert "http" not in page.replace("http-equiv", "")
    assert "<script" not in page
    assert "<link" not in page
    assert page.count("data:image/png;base64,") == 3
    for picture in re.findall(r"<img [^>]*>", page):
        assert 'alt="' in picture


@pytest.mark.parametrize("sentence", [words.STANDING, *words.CAUTIONS, *words.NOT_SHOWN])
def test_cautions_and_limits_stand_on_the_page(evidence, sentence):
    assert sentence.replace("'", "&#39;") in student_html(evidence)


def test_the_page_can_be_traced_to_the_films(demo, evidence):
    page = student_html(evidence)
    for film in evidence.films:
        assert film.sha256 in page
        assert film.clip in page
    times = sum(len(t.serves.split(", ")) for t in evidence.trace)
    assert times == len(demo.serves(student_code="AK")) == evidence.n_serves


def test_the_demo_is_labelled_as_invented(demo, evidence):
    assert words.DEMO in student_html(evidence)
    assert words.DEMO in overview_html(gather_group(demo, GROUP, today=TODAY))


def test_the_pdf_is_a4_tagged_and_the_same_each_time(evidence):
    pdf = student_pdf(evidence)
    opened = _pdf_objects(pdf)
    assert pdf.startswith(b"%PDF-1.7")
    assert b"/StructTreeRoot" in opened  # ISO 14289-1 (PDF/UA-1): real content is tagged
    assert b"pdfuaid" in opened
    # ISO 216 A4, 210 x 297 mm, in points of 1/72 inch.
    box = re.search(rb"/MediaBox ?\[0 0 ([\d.]+) ([\d.]+)\]", opened)
    assert box is not None
    assert [float(v) for v in box.groups()] == pytest.approx([595.276, 841.890], abs=0.001)
    assert student_pdf(evidence) == pdf


def test_five_films_fill_three_sheets(evidence):
    """Map and figures; weeks and cautions; films and every serve. None is left nearly empty."""
    assert len(evidence.films) == 5
    sheets = re.findall(rb"/Type ?/Page\b", _pdf_objects(student_pdf(evidence)))
    assert len(sheets) == 3


def test_what_was_typed_is_never_read_as_markup(store_with_traps, tmp_path):
    evidence = gather_student(store_with_traps, "AB", today=TODAY)
    page = student_html(evidence)
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert" in page
    assert student_pdf(evidence).startswith(b"%PDF")
    overview = gather_group(store_with_traps, "<b>#panic()</b>", today=TODAY)
    assert "<b>#panic" not in overview_html(overview)
    assert overview_pdf(overview).startswith(b"%PDF")


@pytest.fixture
def store_with_traps(tmp_path):
    from placement.records import Store

    with Store(tmp_path / "r.sqlite") as store:
        done = store.import_results(
            write_results(tmp_path / "o", two_turns()),
            group="<b>#panic()</b>",
            place='<script>alert(1)</script> #panic("x") $1/0$ *bold* \\ @ref',
            asked="#include \"/etc/passwd\" <img src=x onerror=alert(1)>",
        )  # fmt: skip
        store.set_turns(done.drill_id, "AB 10 short left, CD 10 short left", make_students=True)
        store.change_student("AB", name="A Kept Name")
        yield store


def test_a_name_never_gets_onto_a_page(store_with_traps):
    evidence = gather_student(store_with_traps, "AB", today=TODAY)
    assert "Kept Name" not in student_html(evidence)
    assert b"Kept Name" not in _pdf_objects(student_pdf(evidence))


def test_one_day_says_nothing_about_change(store_with_traps):
    evidence = gather_student(store_with_traps, "AB", today=TODAY)
    assert evidence.comparison is None
    assert "nothing can be said about change" in student_html(evidence)


def test_stills_are_shown_with_their_words_six_at_most(demo):
    still = Still(image=np.full((60, 90, 3), 120, np.uint8), caption="typical: here", alt="a table")
    evidence = gather_student(demo, "CO", stills=[still] * 9, today=TODAY)
    page = student_html(evidence)
    assert page.count("data:image/jpeg") == 6
    assert "Chosen by rule" in page
    assert student_pdf(evidence).startswith(b"%PDF")


def test_a_student_without_serves_has_no_page(store_with_traps):
    store_with_traps.add_student("ZZ")
    with pytest.raises(RecordsError, match="no serves of ZZ"):
        gather_student(store_with_traps, "ZZ")


def test_no_figure_is_a_mark_or_a_rank(evidence, demo):
    keys = {figure.key for figure in evidence.figures}
    assert not keys & {"mark", "grade", "score", "rank", "total"}
    lines = gather_group(demo, GROUP, today=TODAY).lines
    assert [line.code for line in lines] == sorted(line.code for line in lines)


def test_a_bar_is_drawn_to_scale():
    # 145 units for 0 to 100 %, from 5: 50 % stands at 77.5, 20 % at 34, 80 % at 121.
    bar = str(bar_svg(0.5, 0.2, 0.8))
    assert 'cx="77.5"' in bar
    assert "M34.0 8H121.0" in bar
    assert str(bar_svg(float("nan"), 0.0, 1.0)) == ""


def test_quality_is_said_in_words():
    said = quality_words({"net_residual_mm": 3.0, "net_residual_px": 0.4, "other": True})
    assert said == "net found within 3 mm (0.4 px)"
    assert quality_words({}) == "accuracy not stated by the analysis"
    said = quality_words({"expected_error_95_mm": 14.2, "expected_error_95_typical_mm": 8.0})
    assert said == (
        "19 bounces in 20 are expected within 8 mm over most of the table, 14 mm at worst"
    )
    assert quality_words({"expected_error_95_mm": None}) == "accuracy not stated by the analysis"


def test_the_expected_error_stands_on_the_page(demo, evidence):
    worst = demo.drill(evidence.films[0].drill_id).calibration_summary["expected_error_95_mm"]
    assert f"{worst:.0f} mm at worst" in student_html(evidence)


def test_a_file_is_written_whole_or_not_at_all(tmp_path):
    target = write_whole(tmp_path / "a" / "page.html", "first")
    with pytest.raises(UnicodeEncodeError):
        write_whole(target, "\ud800")
    assert target.read_text() == "first"
    assert [p.name for p in target.parent.iterdir()] == ["page.html"]
