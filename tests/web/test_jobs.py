"""The queue: measuring in another process, cancel, failures, restart."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from placement.web import jobs
from placement.web.state import CANCELLED, DONE, FAILED, RUNNING, WAITING
from placement.web.worker import NICENESS
from tests.web.conftest import Page, open_page
from tests.web.fake_worker import MOVED


def bring(web: Page, film_file: Path, name: str) -> str:
    films = web.site.settings.roots[0]
    shutil.copy(film_file, films / name)
    with (films / name).open("ab") as stream:
        stream.write(name.encode())  # another film, by its hash
    web.post("/bring/path", {"root": "0", "inside": name})
    return next(c.clip_id for c in web.site.state.clips() if c.name == name)


def job_of(web: Page, clip: str) -> object:
    return web.site.state.latest_job(clip)


def test_a_film_is_measured_and_comes_into_the_records(web: Page, film_file: Path) -> None:
    clip = bring(web, film_file, "drill.mp4")
    form = {"group": "9B", "filmed_on": "2026-03-02", "turns": "AB 3 short left, CD 3 long right"}
    assert web.post(f"/clips/{clip}/start", form).status_code == 200
    web.wait_for(lambda: web.site.state.latest_job(clip).state == DONE)
    drill_id = web.site.state.clip(clip).drill_id
    assert web.site.store.drill(drill_id).group == "9B"
    assert web.site.store.serves(drill_id=drill_id)["code"].tolist() == ["AB"] * 3 + ["CD"] * 3
    assert "Measured." in web.get(f"/clips/{clip}/progress").text
    assert f"/films/{drill_id}/" in web.get("/").text


def test_films_queue_and_one_runs_at_a_time(web: Page, film_file: Path) -> None:
    first = bring(web, film_file, "slow1.mp4")
    second = bring(web, film_file, "drill2.mp4")
    for clip in (first, second):
        web.post(f"/clips/{clip}/start", {})
    web.wait_for(lambda: web.site.state.latest_job(first).state == RUNNING)
    assert web.site.state.latest_job(second).state == WAITING
    assert "behind 1 film" in web.get(f"/clips/{second}/progress").text
    web.wait_for(lambda: web.site.state.latest_job(second).state == DONE)
    assert web.site.state.latest_job(first).state == DONE


def test_a_film_asked_for_twice_is_queued_once(web: Page, film_file: Path) -> None:
    clip = bring(web, film_file, "slow.mp4")
    for _ in range(2):
        web.post(f"/clips/{clip}/start", {})
    assert len(web.site.state.jobs()) == 1
    web.site.state.cancel_job(web.site.state.jobs()[0].job_id)


def test_measuring_can_be_stopped(web: Page, film_file: Path) -> None:
    clip = bring(web, film_file, "slow.mp4")
    web.post(f"/clips/{clip}/start", {})
    web.wait_for(lambda: 0 < web.site.state.latest_job(clip).done < 1)
    assert "You may close this page" in web.get(f"/clips/{clip}/progress").text
    web.post(f"/jobs/{web.site.state.latest_job(clip).job_id}/cancel", {})
    web.wait_for(lambda: web.site.state.latest_job(clip).state == CANCELLED)
    assert web.site.state.clip(clip).drill_id is None


def test_a_film_that_cannot_be_measured_says_why(web: Page, film_file: Path) -> None:
    clip = bring(web, film_file, "bad.mp4")
    web.post(f"/clips/{clip}/start", {})
    web.wait_for(lambda: web.site.state.latest_job(clip).state == FAILED)
    assert (
        "No table was found in this film; film the whole table." in web.get(f"/clips/{clip}").text
    )


def test_a_film_without_serves_says_what_to_look_at(web: Page, film_file: Path) -> None:
    clip = bring(web, film_file, "none.mp4")
    web.post(f"/clips/{clip}/start", {})
    web.wait_for(lambda: web.site.state.latest_job(clip).state == DONE)
    for path in (f"/clips/{clip}", f"/clips/{clip}/progress"):
        said = web.get(path).text
        assert "no serve was found" in said
        assert "Say who served" not in said
    drill_id = web.site.state.clip(clip).drill_id
    page = web.get(f"/films/{drill_id}/map").text
    assert "No serve was found in this film" in page
    assert f"/clips/{clip}" in page
    for part in ("check", "turns", "about"):
        assert web.get(f"/films/{drill_id}/{part}").status_code == 200


def test_what_the_measuring_warns_of_is_shown(web: Page, film_file: Path) -> None:
    clip = bring(web, film_file, "moved.mp4")
    web.post(f"/clips/{clip}/start", {})
    web.wait_for(lambda: web.site.state.latest_job(clip).state == DONE)
    drill_id = web.site.state.clip(clip).drill_id
    for path in (f"/clips/{clip}", f"/clips/{clip}/progress", f"/films/{drill_id}/map",
                 f"/films/{drill_id}/about"):  # fmt: skip
        assert MOVED in web.get(path).text


def test_a_process_that_dies_is_tried_again_and_then_given_up(web: Page, film_file: Path) -> None:
    clip = bring(web, film_file, "crash.mp4")
    web.post(f"/clips/{clip}/start", {})
    web.wait_for(lambda: web.site.state.latest_job(clip).state == FAILED, 60)
    job = web.site.state.latest_job(clip)
    assert job.attempts == jobs.MOST_ATTEMPTS
    assert "cut off" in job.message


def test_a_page_that_ends_lets_the_next_one_go_on(tmp_path: Path, film_file: Path) -> None:
    with open_page(tmp_path) as web:
        clip = bring(web, film_file, "slow.mp4")
        web.post(f"/clips/{clip}/start", {})
        web.wait_for(lambda: web.site.state.latest_job(clip).state == RUNNING)
    with open_page(tmp_path) as web:
        web.wait_for(lambda: web.site.state.latest_job(clip).state == DONE)
        assert web.site.state.clip(clip).drill_id is not None


def test_a_silent_process_is_taken_for_dead(
    tmp_path: Path, film_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(jobs, "SILENT_S", 0.3)
    sleeper = (sys.executable, "-c", "import time; time.sleep(60)")
    with open_page(tmp_path, worker=sleeper) as web:
        clip = bring(web, film_file, "drill.mp4")
        web.post(f"/clips/{clip}/start", {})
        web.wait_for(lambda: web.site.runner._child is not None)  # claimed first, started then
        child = web.site.runner._child
        web.site.runner._child = None  # as if another page had started it
        web.wait_for(lambda: web.site.state.latest_job(clip).attempts >= 2)
        child[1].kill()
        child[1].wait()


def test_a_slip_in_the_turn_list_is_told_before_the_measuring(web: Page, film_file: Path) -> None:
    clip = bring(web, film_file, "drill.mp4")
    answer = web.post(f"/clips/{clip}/start", {"turns": "AB 10 shrot left"})
    assert answer.status_code == 422
    assert "shrot" in answer.json()["sentence"]
    assert not web.site.state.jobs()


def test_time_left_is_shown(web: Page, film_file: Path) -> None:
    clip = bring(web, film_file, "slow.mp4")
    web.post(f"/clips/{clip}/start", {})
    began = time.monotonic()
    web.wait_for(lambda: " left</p>" in web.get(f"/clips/{clip}/progress").text)
    assert time.monotonic() - began < 20
    web.site.state.cancel_job(web.site.state.jobs()[0].job_id)


def test_the_first_page_follows_the_queue(web: Page, film_file: Path) -> None:
    running, waiting = (bring(web, film_file, n) for n in ("slow.mp4", "slow2.mp4"))
    for clip in (running, waiting):
        web.post(f"/clips/{clip}/start", {})
    web.wait_for(lambda: "left</span>" in web.get(f"/clips/{running}/state").text)
    assert "Waiting" in web.get(f"/clips/{waiting}/state").text
    assert f'hx-get="/clips/{running}/state"' in web.get("/").text
    web.site.state.cancel_job(web.site.state.latest_job(waiting).job_id)
    assert "Stopped" in web.get(f"/clips/{waiting}/state").text
    web.wait_for(lambda: web.site.state.latest_job(running).state == DONE)
    drill = web.site.state.clip(running).drill_id
    assert f'href="/films/{drill}/turns"' in web.get(f"/clips/{running}/state").text


def test_while_a_film_is_measured_the_next_table_is_offered(web: Page, film_file: Path) -> None:
    clip, other = (bring(web, film_file, n) for n in ("slow.mp4", "drill.mp4"))
    assert f"/clips/{other}" not in web.get(f"/clips/{clip}").text
    shown = web.post(f"/clips/{clip}/start", {}).text
    assert f'href="/clips/{other}"' in shown
    assert "Measure this film" not in shown
    web.site.state.cancel_job(web.site.state.jobs()[0].job_id)
    web.wait_for(lambda: web.site.state.latest_job(clip).state == CANCELLED)
    assert "Measure this film" in web.get(f"/clips/{clip}").text


def test_a_film_whose_turns_were_typed_before_goes_on_to_checking(
    web: Page, film_file: Path
) -> None:
    clip = bring(web, film_file, "drill.mp4")
    web.post(f"/clips/{clip}/start", {"turns": "AB 3, CD 3"})
    web.wait_for(lambda: web.site.state.latest_job(clip).state == DONE)
    shown = web.get(f"/clips/{clip}/progress").text
    drill = web.site.state.clip(clip).drill_id
    assert f'class="button primary" href="/films/{drill}/check"' in shown


def test_the_measuring_gives_way_to_the_page() -> None:
    if not hasattr(os, "getpriority"):
        assert subprocess.BELOW_NORMAL_PRIORITY_CLASS  # told at the start of the process
        return
    before = os.getpriority(os.PRIO_PROCESS, 0)
    said = subprocess.run(
        [sys.executable, "-c",
         "import os; from placement.web.worker import give_way; give_way(); "
         "print(os.getpriority(os.PRIO_PROCESS, 0))"],
        capture_output=True, text=True, check=True, start_new_session=True,
    )  # fmt: skip
    assert int(said.stdout) == min(19, before + NICENESS)


def test_the_link_to_the_queue_is_sent_again_only_when_it_is_another(
    web: Page, film_file: Path
) -> None:
    assert web.get("/queue").text.strip() == ""
    clip = bring(web, film_file, "slow.mp4")
    web.post(f"/clips/{clip}/start")
    html = web.get("/about").text
    asked = re.findall(r'hx-get="(/queue[^"]*)"', html)[0].replace("&amp;", "&")
    assert web.get(asked).status_code == 204
    assert "Measuring 1 film" in web.get("/queue?seen=2&first=x").text
    job = web.site.state.latest_job(clip)
    web.post(f"/jobs/{job.job_id}/cancel")
    web.wait_for(lambda: not web.site.state.jobs(open_only=True))
    answer = web.get(asked)
    assert answer.status_code == 200
    assert answer.text.strip() == ""


def test_a_slip_in_the_turn_list_leads_back_to_what_was_typed(web: Page, film_file: Path) -> None:
    clip = bring(web, film_file, "drill.mp4")
    answer = web.client.post(
        f"/clips/{clip}/start", data={"turns": "AB 10 shrt left"},
        headers={**web.token, "Accept": "text/html"},
    )  # fmt: skip
    assert answer.status_code == 422
    assert "shrt" in answer.text
    assert "data-back" in answer.text
    assert "data-back" not in web.get("/nowhere", headers={"Accept": "text/html"}).text
