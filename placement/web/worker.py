"""The process that measures one film: `python -m placement.web.worker DATA STORE JOB`.

It reads what to do from the page's memory, says how far it is, stops when asked, and brings the
results into the records. It needs nothing of the page, so closing the page does not stop it.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from calibration import CalibrationError
from placement.records import RecordsError, Store
from placement.results import ResultsError, write_results
from placement.video import VideoError
from placement.web.state import CANCELLED, DONE, FAILED, Clip, PageState
from placement.web.tables import plain_words
from placement.web.wording import sentence

#: Measures a film: (film, folder for the results, progress(done, stage, time left), cancelled())
#: -> results folder, or None where it was asked to stop.
Measure = Callable[
    [Clip, Path, Callable[[float, str, float | None], None], Callable[[], bool]], Path | None
]
NICENESS = 5  # of 19, sched(7): a third of what a process of equal rank gets that wants it all
_BEAT_S = 1.0
_TELL_S = 0.4


def measure_film(
    clip: Clip,
    folder: Path,
    progress: Callable[[float, str, float | None], None],
    cancelled: Callable[[], bool],
) -> Path | None:
    """Measure a film by the project's one road and write its results folder.

    Parameters
    ----------
    clip : Clip
        With the corners as the person left them.
    folder : Path
        Where the results folder goes.
    progress : callable
        Told (share done, stage, seconds left or None).
    cancelled : callable
        Asked whether to stop.

    Returns
    -------
    Path or None
        The results folder; None where it was asked to stop.
    """
    from placement.pipeline import Cancelled, Progress, analyse
    from placement.settings import Settings

    def tell(step: Progress) -> None:
        progress(step.done, step.stage, step.time_left_s)

    settings = Settings(
        corners_px=None if clip.corners is None else np.array(clip.corners, dtype=float),
        refine=clip.refine,
    )
    try:
        analysis = analyse(clip.path, settings, progress=tell, cancelled=cancelled)
    except Cancelled:
        return None
    return write_results(analysis, folder)


def run_job(data: Path, store_place: str, job_id: int, measure: Measure = measure_film) -> None:
    """Do one job from beginning to end.

    Parameters
    ----------
    data : Path
        The page's own folder.
    store_place : str
        Records file or address.
    job_id : int
        Job, claimed already.
    measure : callable
        See `Measure`.
    """
    state = PageState(data / "page.sqlite")
    job = state.job(job_id)
    clip = state.clip(job.clip_id) if job else None
    if job is None or clip is None:
        return
    stop = threading.Event()
    ended = threading.Event()

    def beat() -> None:
        while not ended.wait(_BEAT_S):
            if state.tell_job(job_id):
                stop.set()

    told_at = 0.0

    def progress(done: float, stage: str, time_left_s: float | None) -> None:
        nonlocal told_at
        if time.monotonic() - told_at >= _TELL_S:
            told_at = time.monotonic()
            if state.tell_job(job_id, done=done, stage=stage, time_left_s=time_left_s):
                stop.set()

    threading.Thread(target=beat, name="sign of life", daemon=True).start()
    try:
        folder = measure(clip, data / "results" / clip.clip_id, progress, stop.is_set)
        if folder is None:
            state.end_job(job_id, CANCELLED)
            return
        with Store(store_place) as store:
            about = {name: text for name, text in clip.about.items() if text}
            turns = about.pop("turns", "")
            drill_id = store.import_results(folder, **about).drill_id
            message = _set_turns(store, drill_id, turns)
        state.end_job(job_id, DONE, message, drill_id=drill_id)
    except CalibrationError as error:
        state.end_job(job_id, FAILED, plain_words(error))
    except (VideoError, RecordsError, ResultsError) as error:
        state.end_job(job_id, FAILED, sentence(str(error)))
    except OSError as error:
        state.end_job(job_id, FAILED, f"The results could not be written: {error.strerror}.")
    except Exception:
        state.end_job(
            job_id,
            FAILED,
            f"Something went wrong while measuring {clip.name}; the details are in "
            f"{data / 'worker.log'}.",
        )
        raise
    finally:
        ended.set()


def _set_turns(store: Store, drill_id: int, turns: str) -> str:
    """Lay a turn list that was typed before over the serves; what is wrong with it, if anything."""
    if not turns or len(store.turns(drill_id)):
        return ""
    try:
        store.set_turns(drill_id, turns, make_students=True)
    except RecordsError as error:
        return str(error)
    return ""


def give_way() -> None:
    """Let the page, and whatever else a person waits for, come before this process.

    Windows is told when the process is started. Where Linux shares its time out by sessions, a
    process of another session is not served first for its niceness: the session says it too.
    """
    if hasattr(os, "nice"):
        with contextlib.suppress(OSError):
            os.nice(NICENESS)
    with contextlib.suppress(OSError):
        Path("/proc/self/autogroup").write_text(str(NICENESS), encoding="ascii")  # sched(7)


def main() -> None:
    """Run the job that the command line names."""
    give_way()
    data, store_place, job_id = sys.argv[1:4]
    run_job(Path(data), store_place, int(job_id))


if __name__ == "__main__":
    main()
