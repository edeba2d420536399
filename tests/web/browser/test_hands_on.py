"""Sixty serves by six students take a teacher's hands no more than five minutes, by the counts."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Page

from tests.web import hands_on
from tests.web.browser.conftest import Running
from tests.web.made import make_film


def test_sixty_serves_in_five_minutes(
    page: Page, make_running: Callable[..., Running], tmp_path: Path
) -> None:
    running = make_running()
    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    film = make_film(tmp_path / "sixty.mp4", 930)  # 31 s
    steps = hands_on.play(page, running, film)
    with running.store as store:
        found = store.serves(drill_id=1)
        assert store.drill(1).group == "9B"
    assert found["code"].tolist() == [code for code in hands_on.STUDENTS for _ in range(10)]
    assert found["checked"].all()
    assert (found["outcome"] == "net").sum() == 6
    # The project's own aims: five minutes for all, three for the checking. What the page takes to
    # answer hangs on the machine and has a benchmark of its own.
    hands = {step.name: step.seconds - step.answer_s for step in steps}
    assert sum(hands.values()) < 300
    assert hands["check 60 serves"] < 180
    assert running.errors() == ""
