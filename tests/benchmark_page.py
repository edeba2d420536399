"""How quick the page is: `python -m tests.benchmark_page [--film FILM] [--school] [--hands]`.

Prints a plain table, ms: first page, corner drag to paint and to its words, key to frame (idle and
while another film is measured), next serve, and, with --school, pages over a store of 650,000
serves; the column `server` is the server's processor time for each, which a busy machine does not
move as much. With --hands alone it counts what a teacher's hands do for sixty serves
(`tests.web.hands_on`). Chromium is needed; the time of a key is from its event's time stamp to the
paint after the picture was swapped (requestAnimationFrame and a message behind it).
"""

from __future__ import annotations

import argparse
import math
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.parse
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

from placement.records import Store
from placement.web.clipwork import probe
from tests.records.samples import serve_row
from tests.web.browser.conftest import Running
from tests.web.made import SAMPLES, make_results

REAL_WORKER = (sys.executable, "-m", "placement.web.worker")
#: Notes, for each key press, when the picture that it asked for was painted.
_WATCH = """
window.spent = [];
window.watchKeys = (target, attribute) => {
  let pressed = 0;
  document.addEventListener("keydown", (event) => { pressed = event.timeStamp; }, true);
  new MutationObserver(() => {
    if (!pressed) return;
    const from = pressed; pressed = 0;
    requestAnimationFrame(() => {
      const channel = new MessageChannel();
      channel.port1.onmessage = () => window.spent.push(performance.now() - from);
      channel.port2.postMessage(0);
    });
  }).observe(document.querySelector(target), { attributes: true, attributeFilter: [attribute] });
};
"""


def show(what: str, spent: list[float], bar: str, work: float = math.nan) -> None:
    """One line of the table, ms; `work` is the server's processor time of all together, s."""
    if not spent:
        print(f"{what:44s}  nothing was measured")
        return
    ordered = sorted(spent)
    p95 = ordered[min(len(ordered) - 1, round(0.95 * len(ordered)))]
    each = "-" if math.isnan(work) else f"{1e3 * work / len(spent):.0f}"
    figures = f"{statistics.median(spent):7.0f} {p95:7.0f} {len(spent):5d} {each:>7s}"
    print(f"{what:44s} {figures}   {bar}", flush=True)


def worked(running: Running) -> float:
    """Processor time that the server has used, s; NaN where the system does not tell it."""
    assert running.process is not None
    try:
        text = Path(f"/proc/{running.process.pid}/stat").read_text(encoding="ascii")
    except OSError:
        return math.nan
    user, system = text.rpartition(")")[2].split()[11:13]  # proc(5), fields 14 and 15
    return (int(user) + int(system)) / os.sysconf("SC_CLK_TCK")


def keys(
    page: Page, sequence: list[str], pause_ms: int, target: str, attribute: str
) -> list[float]:
    """Press keys and return what each took to be painted, ms."""
    page.evaluate(_WATCH + f"window.watchKeys({target!r}, {attribute!r})")
    for key in sequence:
        page.keyboard.press(key)
        page.wait_for_timeout(pause_ms)
    page.wait_for_timeout(500)
    return [float(v) for v in page.evaluate("window.spent")]


def stepping(page: Page, running: Running, words: str) -> None:
    """Key to frame and to the next serve."""
    url = running.url
    for name, key in (("forwards", "ArrowRight"), ("backwards", "ArrowLeft")):
        page.goto(url + "/films/1/check?serve=2", wait_until="networkidle")
        page.wait_for_timeout(600)
        before = worked(running)
        spent = keys(page, [key] * 40, 120, "#frame", "data-n")
        show(f"key to frame, {name}, {words}", spent, "50 / 100", worked(running) - before)
    page.goto(url + "/films/1/check", wait_until="networkidle")
    page.wait_for_timeout(600)
    before = worked(running)
    spent = keys(page, ["j", "k"] * 6, 500, "#frame", "data-n")
    show(f"next serve, {words}", spent, "100 median", worked(running) - before)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--film", type=Path, default=SAMPLES / "sample_drill.mp4")
    parser.add_argument("--school", action="store_true", help="also a store of 650,000 serves")
    parser.add_argument("--hands", action="store_true", help="only what a teacher's hands do")
    args = parser.parse_args()
    if args.hands:
        _hands()
        return
    print(f"{'ms':44s} {'median':>7s} {'95 %':>7s} {'n':>5s} {'server':>7s}   goal")
    with tempfile.TemporaryDirectory() as name, sync_playwright() as play:
        folder = Path(name)
        running = Running(folder, worker=REAL_WORKER)
        film = running.films / args.film.name
        shutil.copy(args.film, film)
        others = [running.films / f"another{k}.mp4" for k in range(4)]  # enough to be measured
        for other in others:
            shutil.copy(args.film, other)
        with Store(folder / "records.sqlite") as store:
            rows = [serve_row(i, 0.5 + 1.2 * i) for i in range(1, 11)]
            store.import_results(make_results(folder / "out", film, rows), group="9B")
        began = time.perf_counter()
        running.start()
        show("start of the program to its first answer", [1e3 * (time.perf_counter() - began)], "")
        browser = play.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        context = browser.new_context(viewport={"width": 1366, "height": 768}, bypass_csp=True)
        page = context.new_page()
        page.set_default_timeout(120_000)  # a busy machine is measured too
        try:
            _first_page(page, running)
            clips = [
                running.state.add_clip(other.name, other.resolve(), probe(other), owned=False)
                for other in others
            ]
            _drag(page, running, clips[0])
            stepping(page, running, "idle")
            for clip in clips:
                running.state.add_job(clip)
            page.wait_for_timeout(2500)
            stepping(page, running, "while measuring")
            still = "still measuring" if running.state.jobs(open_only=True) else "measured by then"
            print(f"({still})")
        finally:
            browser.close()
            running.stop()
    if args.school:
        _school()


def _first_page(page: Page, running: Running) -> None:
    spent = []
    for _ in range(6):
        page.goto(running.url + "/", wait_until="load")
        spent.append(
            float(page.evaluate("performance.getEntriesByType('navigation')[0].loadEventEnd"))
        )
    show("first page, cold", spent[:1], "")
    show("first page, again", spent[1:], "")


def _drag(page: Page, running: Running, clip: str) -> None:
    page.goto(running.url + f"/clips/{clip}")
    page.locator("#wait").wait_for(state="hidden", timeout=120_000)
    page.evaluate(
        """window.spent = []; window.said = [];
        const grip = document.querySelector(".handle");
        let moved = 0;
        document.addEventListener("pointermove", (e) => { moved = e.timeStamp; }, true);
        new MutationObserver(() => { if (!moved) return; const from = moved; moved = 0;
          requestAnimationFrame(() => { const c = new MessageChannel();
            c.port1.onmessage = () => window.spent.push(performance.now() - from);
            c.port2.postMessage(0); }); }).observe(grip, { attributes: true });
        let asked = [];
        document.addEventListener("pointermove", (e) => { asked.push(e.timeStamp); }, true);
        new MutationObserver(() => { const from = asked.shift(); asked = []; if (!from) return;
          requestAnimationFrame(() => { const c = new MessageChannel();
            c.port1.onmessage = () => window.said.push(performance.now() - from);
            c.port2.postMessage(0); }); }).observe(document.getElementById("view-words"),
              { childList: true });"""
    )
    box = page.locator(".handle").first.bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    before = worked(running)
    for step in range(40):
        page.mouse.move(x + step % 7, y + step % 5)
        page.wait_for_timeout(30)
    page.mouse.up()
    page.wait_for_timeout(300)
    work = worked(running) - before
    show("corner drag to paint", [float(v) for v in page.evaluate("window.spent")], "50")
    said = [float(v) for v in page.evaluate("window.said")]
    show("corner drag to its words (error, net)", said, "", work)


def _hands() -> None:
    """Clicks, keys and seconds of a teacher, on a page whose worker is quick."""
    from tests.web import hands_on
    from tests.web.made import make_film

    with tempfile.TemporaryDirectory() as name, sync_playwright() as play:
        running = Running(Path(name))
        running.start()
        browser = play.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        try:
            context = browser.new_context(viewport={"width": 1366, "height": 768})
            context.grant_permissions(["clipboard-read", "clipboard-write"])
            film = make_film(Path(name) / "sixty.mp4", 930)
            print(hands_on.table(hands_on.play(context.new_page(), running, film)))
        finally:
            browser.close()
            running.stop()


def _school() -> None:
    """Pages over a school year; the store is made by the benchmark of the records."""
    from tests.benchmark_records import fill  # takes a minute or two

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with Store(folder / "records.sqlite") as store:
            fill(store)
            group = str(store.groups()["name"].iloc[0])
            code = str(store.students(group)["code"].iloc[0])
        running = Running(folder, worker=REAL_WORKER)
        running.start()
        try:
            for path in ("/", "/groups", f"/group?name={urllib.parse.quote(group)}",
                         f"/student?code={code}", "/films/1/check", "/films/1/turns",
                         "/films/1/map", "/students"):  # fmt: skip
                spent = []
                before = worked(running)
                for _ in range(3):
                    began = time.perf_counter()
                    subprocess.run(["curl", "-s", "-o", "/dev/null", running.url + path],
                                   check=True)  # fmt: skip
                    spent.append(1e3 * (time.perf_counter() - began))
                show(f"650,000 serves: {path}"[:44], spent, "2000, group 1000",
                     worked(running) - before)  # fmt: skip
        finally:
            running.stop()


if __name__ == "__main__":
    main()
