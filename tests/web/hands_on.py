"""What a teacher's hands do for a film of sixty serves by six students: clicks, keys, seconds.

A script plays the teacher on the real page, from the first screen to six printed pages, and counts.
The seconds are worked out from the counts by the keystroke-level model: a key of a person who types
as most do 0.28 s, pointing with a mouse 1.1 s, pressing or letting go its button 0.1 s, moving a
hand between mouse and keys 0.4 s, looking and deciding 1.35 s; what the page takes to answer is
measured and added. The waiting for the measuring is not work of the hands and is left out.

Source: Card, Moran and Newell, "The keystroke-level model for user performance time with
interactive systems", Communications of the ACM 23 (1980); the values are from memory.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from pathlib import Path

from playwright.sync_api import Locator, Page, expect

from tests.web.browser.conftest import Running

KEY_S, POINT_S, BUTTON_S, HAND_S, LOOK_S = 0.28, 1.1, 0.1, 0.4, 1.35
STUDENTS = ("AB", "CD", "EF", "GH", "IJ", "KL")
TURNS = "\n".join(f"{code} 10 {called}" for code, called in zip(
    STUDENTS, ("short left", "long right", "short right", "long left", "short", "long"), strict=True
))  # fmt: skip


@dataclass(slots=True)
class Step:
    """What one step took."""

    name: str
    clicks: int = 0
    keys: int = 0
    looks: int = 0
    hands: int = 0  # moves of a hand between mouse and keys
    answer_s: float = 0.0  # the page's own time

    @property
    def seconds(self) -> float:
        """By the keystroke-level model, and the page's own time."""
        return (
            self.clicks * (POINT_S + 2 * BUTTON_S)
            + self.keys * KEY_S
            + self.looks * LOOK_S
            + self.hands * HAND_S
            + self.answer_s
        )


@dataclass(slots=True)
class Teacher:
    """Clicks, types and looks at a page, and counts it."""

    page: Page
    steps: list[Step] = field(default_factory=list)
    at_keys: bool = False

    def begin(self, name: str) -> None:
        """Go on to another step."""
        self.steps.append(Step(name))

    def click(self, what: Locator) -> None:
        """Point and click; the next step begins when what comes of it is there."""
        self._hand(keys=False)
        self.steps[-1].clicks += 1
        began = time.perf_counter()
        what.click()
        self.steps[-1].answer_s += time.perf_counter() - began

    def press(self, key: str) -> None:
        """Press a key, or one with another held down."""
        self._hand(keys=True)
        self.steps[-1].keys += 2 if "+" in key else 1
        self.page.keyboard.press(key)

    def type(self, text: str) -> None:
        """Type a text."""
        self._hand(keys=True)
        self.steps[-1].keys += len(text)
        self.page.keyboard.type(text)

    def look(self, times: int = 1) -> None:
        """Look at something and decide."""
        self.steps[-1].looks += times

    def see(self, what: Locator, text: str) -> None:
        """Wait until the page shows what was asked for."""
        began = time.perf_counter()
        expect(what).to_have_text(text)
        self.steps[-1].answer_s += time.perf_counter() - began

    def _hand(self, *, keys: bool) -> None:
        if keys != self.at_keys:
            self.steps[-1].hands += 1
            self.at_keys = keys


def play(page: Page, running: Running, film: Path) -> list[Step]:
    """From the first screen to six printed pages.

    Parameters
    ----------
    page : Page
        Browser's page; may read from the clipboard.
    running : Running
        Page without records, whose worker finds sixty serves.
    film : Path
        The film to be chosen.

    Returns
    -------
    list of Step
    """
    teacher = Teacher(page)
    page.goto(running.url)

    teacher.begin("bring the film in")
    teacher.look()
    teacher.click(page.get_by_role("link", name="Bring a film in"))
    teacher.look()
    with page.expect_file_chooser() as chooser:
        teacher.click(page.get_by_text("Choose films"))
    teacher.steps[-1].clicks += 2  # the film and "Open", in the system's own window
    teacher.look()
    chooser.value.set_files(film)

    teacher.begin("look at the table, name the lesson")
    expect(page.locator("#view-words")).to_contain_text("good for ±", timeout=120_000)
    teacher.look(5)  # four corners and what is said of the view
    teacher.click(page.get_by_label("Group"))
    teacher.type("9B")

    teacher.begin("paste the turn list, measure")
    teacher.look()
    page.evaluate("text => navigator.clipboard.writeText(text)", TURNS)
    teacher.click(page.get_by_label("Who served"))
    teacher.press("Control+V")
    teacher.click(page.get_by_role("button", name="Measure this film"))
    onward = page.get_by_role("link", name="Check the serves")
    onward.wait_for(timeout=120_000)

    teacher.begin("check 60 serves")
    teacher.look()
    teacher.click(onward)
    expect(page.locator("#serves .no")).to_have_count(60)
    numbers = [b.inner_text() for b in page.locator("#serves .no").all()]
    for k, number in enumerate(numbers):
        code = STUDENTS[(int(number) - 1) // 10]
        teacher.see(page.locator("#serve-name"), f"Serve {number}, {code}")
        teacher.look()
        if k % 10 == 0:  # one in ten was something else
            teacher.press("n")
        teacher.press("Enter")
    expect(page.locator("#left-to-do")).to_have_text("All 60 are checked or sure")

    teacher.begin("look at the map")
    teacher.click(page.get_by_role("link", name="On to the map"))
    page.get_by_role("heading", name="60 serves").wait_for(timeout=240_000)  # all is kept first
    teacher.look(3)

    teacher.begin("six printed pages")
    for code in STUDENTS:
        link = page.get_by_role("link", name=f"Evidence page of {code} (PDF)")
        with page.expect_download() as download:
            teacher.click(link)
        began = time.perf_counter()
        assert Path(download.value.path()).read_bytes().startswith(b"%PDF")
        teacher.steps[-1].answer_s += time.perf_counter() - began
        teacher.look()
    return teacher.steps


def table(steps: list[Step]) -> str:
    """The steps and their sum, as plain text."""
    total = Step("all together")
    for step in steps:
        for name in ("clicks", "keys", "looks", "hands", "answer_s"):
            setattr(total, name, getattr(total, name) + getattr(step, name))
    lines = [f"{'step':36s} {'clicks':>6s} {'keys':>5s} {'looks':>5s} {'page, s':>8s} {'s':>6s}"]
    lines += [
        f"{s.name:36s} {s.clicks:6d} {s.keys:5d} {s.looks:5d} {s.answer_s:8.1f} {s.seconds:6.1f}"
        for s in [*steps, total]
    ]
    return "\n".join(lines)
