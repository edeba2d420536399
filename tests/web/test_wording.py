"""Words for the screen, worked by hand."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from placement.records.corrections import CORRECTABLE
from placement.records.schema import BOUNCE_PLACE
from placement.web.pages_start import PARTS
from placement.web.wording import SAID_OF, moment, said_value
from tests.web.conftest import Page


@pytest.mark.parametrize(
    ("name", "kept", "said"),
    [
        ("outcome", '"net"', "in the net"),
        ("depth", '"half-long"', "half-long"),
        ("side", '""', "–"),
        ("landing_x_m", "-0.354", "-35 cm"),
        ("landing_y_m", "null", "–"),
        ("pace_m_s", "7.04", "7.0 m/s"),
        ("t_start_s", "65.2", "1:05.2"),
        ("checked", "true", "yes"),
        ("removed", "false", "no"),
        ("server_end", "-1", "-1"),
        ("outcome", "not JSON", "not JSON"),
    ],
)
def test_a_corrected_value_is_said_as_a_person_says_it(name: str, kept: str, said: str) -> None:
    assert said_value(kept, name) == said


def test_every_column_that_may_be_corrected_has_words() -> None:
    assert {*CORRECTABLE, *BOUNCE_PLACE} <= set(SAID_OF)


def test_a_moment_is_told_in_this_computers_time(monkeypatch: pytest.MonkeyPatch) -> None:
    import time

    monkeypatch.setenv("TZ", "UTC-3")  # POSIX: three hours east of Greenwich
    if hasattr(time, "tzset"):
        time.tzset()
        try:
            assert moment("2026-03-01T22:30:00.000+00:00") == "2 March 2026, 01:30"
        finally:
            monkeypatch.undo()
            time.tzset()
    assert moment("no moment") == "no moment"


def test_the_log_of_a_film_has_no_names_of_columns(web: Page, filmed: int) -> None:
    serve = web.site.store.serves(drill_id=filmed).iloc[0]
    web.send(
        f"/films/{filmed}/serves/{int(serve['serve_id'])}",
        {"changes": {"place": [10, -40], "outcome": "let"}, "seen": int(serve["revision"]),
         "who": "LM"},
    )  # fmt: skip
    html = web.get(f"/films/{filmed}/about").text
    assert "landing, along the table" in html
    assert "landing_x_m" not in html
    assert "landing x m" not in html
    assert "&#34;let&#34;" not in html
    assert "LM" in html


def test_about_names_every_part_that_is_installed_with_it(web: Page) -> None:
    project = Path(__file__).parents[2] / "pyproject.toml"
    needed = tomllib.loads(project.read_text(encoding="utf-8"))["project"]["dependencies"]
    names = {re.split(r"[<>=\[]", line)[0].lower() for line in needed}
    assert names == {name.lower() for name, _ in PARTS}
    html = web.get("/about").text.lower()
    assert all(name in html for name in names)
