"""The queue: one film after the other is measured by a process of its own.

The process gives a sign of life every second. A page that is started again goes on with a process
that is still alive, and puts back in the queue what was cut off; after three starts it gives up.
"""

from __future__ import annotations

import logging
import os
import subprocess
import threading
import time
from pathlib import Path

from placement.web.settings import PageSettings
from placement.web.state import FAILED, RUNNING, Job, PageState

SILENT_S = 12.0  # a process without a sign of life for so long is taken for dead
MOST_ATTEMPTS = 3
_LOOK_S = 0.4  # between two looks at the queue
_TRY_AGAIN_S = 5.0  # where it cannot be read or written
CANCEL_S = 10.0  # time to stop by itself after being asked
_LOG = logging.getLogger(__name__)


class JobRunner:
    """Starts the process of the next job, and watches it.

    Parameters
    ----------
    state : PageState
        Holds the queue.
    settings : PageSettings
        Command of the process and the folders it uses.
    """

    def __init__(self, state: PageState, settings: PageSettings) -> None:
        self._state = state
        self._settings = settings
        self._stop = threading.Event()
        self._wake = threading.Event()
        self._thread: threading.Thread | None = None
        self._child: tuple[int, subprocess.Popen[bytes]] | None = None
        self._asked_at: float | None = None

    def start(self) -> None:
        """Begin to work through the queue."""
        self._thread = threading.Thread(target=self._work, name="queue", daemon=True)
        self._thread.start()

    def wake(self) -> None:
        """Look at the queue now."""
        self._wake.set()

    def stop(self) -> None:
        """End the watching and the process; its film goes back into the queue."""
        self._stop.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join(timeout=10)
        if self._child is not None:
            job_id, process = self._child
            process.terminate()
            try:
                process.wait(timeout=5)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            self._state.requeue_job(job_id)

    def _work(self) -> None:
        failing = False
        while not self._stop.is_set():
            try:
                self._step()
                failing = False
            except Exception:  # the queue must outlive a full disk or a locked file
                if not failing:  # said once, not at every try
                    _LOG.exception("the queue could not be read or written; it is tried again")
                failing = True
            self._wake.wait(_TRY_AGAIN_S if failing else _LOOK_S)
            self._wake.clear()

    def _step(self) -> None:
        for job in self._state.jobs(open_only=True):
            if job.state == RUNNING:
                self._watch(job)
        if self._child is not None and self._child[1].poll() is not None:
            job_now = self._state.job(self._child[0])
            if job_now is None or job_now.state != RUNNING:
                self._child = None  # it said how it ended
        if self._child is None:
            job_id = self._state.claim_job()
            if job_id is not None:
                self._child = (job_id, self._start_process(job_id))

    def _start_process(self, job_id: int) -> subprocess.Popen[bytes]:
        log = self._settings.data / "worker.log"
        with log.open("ab") as stream:
            return subprocess.Popen(
                [
                    *self._settings.worker, str(self._settings.data), self._settings.store,
                    str(job_id),
                ],
                stdin=subprocess.DEVNULL, stdout=stream, stderr=stream,
                env=os.environ | {"OMP_NUM_THREADS": "1"}, cwd=Path.cwd(),
                start_new_session=True,  # Ctrl-C in the terminal is the page's to deal with
                # On Windows it gives way to the page from the start; elsewhere it says so itself.
                creationflags=getattr(subprocess, "BELOW_NORMAL_PRIORITY_CLASS", 0),
            )  # fmt: skip

    def _watch(self, job: Job) -> None:
        mine = self._child is not None and self._child[0] == job.job_id
        if mine and self._child is not None:
            process = self._child[1]
            if process.poll() is None:
                self._hurry(job, process)
                return
            self._child = None
            # It may have said how it ended after this job was read.
            fresh = self._state.job(job.job_id)
            if fresh is None or fresh.state != RUNNING:
                return
        elif time.time() - job.beat < SILENT_S:
            return
        if job.cancel:
            self._state.end_job(job.job_id, "cancelled")
        elif job.attempts >= MOST_ATTEMPTS:
            self._state.end_job(
                job.job_id,
                FAILED,
                f"Measuring {job.name} was cut off {MOST_ATTEMPTS} times; close other programs "
                "and start it again.",
            )
        else:
            self._state.requeue_job(job.job_id)

    def _hurry(self, job: Job, process: subprocess.Popen[bytes]) -> None:
        if not job.cancel:
            self._asked_at = None
        elif self._asked_at is None:
            self._asked_at = time.monotonic()
        elif time.monotonic() - self._asked_at > CANCEL_S:
            process.terminate()
