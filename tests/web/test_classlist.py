"""Class lists as they come: commas, semicolons, tabs, bare codes."""

from __future__ import annotations

import pytest

from placement.web.classlist import tidy_class_list
from tests.web.conftest import Page


@pytest.mark.parametrize(
    "text",
    [
        "code,hand,name\nAB,right,Ann B\nCD,left,\n",
        "\ufeffCode;Hand;Name\r\nAB;right;Ann B\r\nCD;left;\r\n",  # where the comma is decimal
        "code\thand\tname\nAB\tright\tAnn B\n\nCD\tleft\t",  # cells out of a spreadsheet
        ' code , hand , name \n AB , right , Ann B \n"CD",left,\n',
    ],
)
def test_a_list_is_read_whatever_stands_between_its_cells(web: Page, text: str) -> None:
    web.post("/students/list", {"list": text, "group": "9B"})
    frame = web.site.store.students("9B", names=True)
    assert frame[["code", "hand", "name"]].to_numpy().tolist() == [
        ["AB", "right", "Ann B"], ["CD", "left", ""],
    ]  # fmt: skip


def test_bare_codes_need_no_heading(web: Page) -> None:
    web.post("/students/list", {"list": "AB\nCD\n\n 0231 \n", "group": "9B"})
    assert web.site.store.students("9B")["code"].tolist() == ["0231", "AB", "CD"]


@pytest.mark.parametrize("text", ["", " \n ", "name;hand\nAnn;right\n", "AB,right\nCD,left\n"])
def test_what_is_no_list_is_refused_with_a_sentence(web: Page, text: str) -> None:
    answer = web.post("/students/list", {"list": text})
    assert answer.status_code == 422
    assert "needs a heading row with 'code'" in answer.json()["sentence"]
    assert not len(web.site.store.students())


def test_a_comma_within_a_cell_stays_there() -> None:
    assert tidy_class_list("code;name\nAB;B, Ann\n") == 'code,name\nAB,"B, Ann"\n'
