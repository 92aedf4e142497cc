"""Long work in processes of its own: it survives closing the tab, and can be stopped.

Whatever a job writes is atomic, so that killing it loses nothing but time; the same job goes on
from what was finished. A job whose workbench is gone ends at the next word of progress.
"""

import itertools
import multiprocessing
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Literal

from halfvolley.errors import BadInput, HalfvolleyError

State = Literal["waiting", "running", "done", "failed", "stopped"]
Progress = Callable[[str, float], None]
Work = Callable[..., str]  # work(folder, progress=..., **options) -> what was done, in words
STUBBORN_S = 5.0  # what does not end in this time is killed
KEPT = 20  # finished jobs that are remembered


@dataclass(slots=True)
class Job:
    """One piece of long work on one session."""

    number: int
    folder: Path
    title: str
    state: State = "waiting"
    doing: str = ""
    share: float = 0.0
    words: str = ""  # how it ended
    began_s: float = 0.0
    ended_s: float = 0.0
    work: Work | None = None
    options: dict[str, Any] = field(default_factory=dict)
    aside: bool = False  # runs beside the others and does not keep them waiting
    remakes: bool = True  # what screens of the session show is another one afterwards

    @property
    def is_over(self) -> bool:
        """Whether it runs no more and never will."""
        return self.state in ("done", "failed", "stopped")


class Jobs:
    """All jobs of a workbench: one at a time, in order, one at most for each session.

    Two at once would take twice as long each: a measurement uses all cores. Small things may run
    aside: one of them at a time as well, with what the others leave of the processor.
    """

    def __init__(self) -> None:
        self._jobs: list[Job] = []
        self._numbers = itertools.count(1)
        self._lock = threading.Lock()
        self._processes: dict[bool, Any] = {}  # of what runs, by whether it is aside

    def start(
        self, folder: Path, title: str, work: Work, *, remakes: bool = True, aside: bool = False,
        **options: Any,
    ) -> Job:  # fmt: skip
        """Have something done.

        Parameters
        ----------
        folder : Path
            The session's.
        title : str
            For people.
        work : callable
            A function of a module: called with the folder, `progress` and the options; gives what
            was done in words.
        remakes : bool
            Whether screens of the session show something else afterwards.
        aside : bool
            Whether it runs beside the others; a session may have several such jobs.
        **options
            For `work`.

        Returns
        -------
        Job
            Waiting or running.

        Raises
        ------
        BadInput
            If the session has a job already.
        """
        with self._lock:
            busy = None if aside else self._current(folder)
            if busy is not None:
                raise BadInput(f"{busy.title.lower()} is still at work here; wait, or stop it")
            job = Job(
                next(self._numbers), folder, title, work=work, options=options, remakes=remakes,
                aside=aside,
            )  # fmt: skip
            self._jobs.append(job)
            del self._jobs[: max(0, len(self._jobs) - KEPT)]
            self._begin_next()
        return job

    def stop(self, number: int) -> None:
        """Stop a job; what it finished is kept."""
        with self._lock:
            for job in self._jobs:
                if job.number == number and not job.is_over:
                    if job.state == "running":
                        process = self._processes[job.aside]
                        process.terminate()
                        last = threading.Timer(STUBBORN_S, process.kill)
                        last.daemon = True
                        last.start()
                    _end(job, "stopped", "Stopped. What was finished is kept.")

    def stop_all(self) -> None:
        """For the end of the program."""
        for job in self.all():
            self.stop(job.number)

    def all(self) -> list[Job]:
        """Oldest first."""
        return list(self._jobs)

    def current(self, folder: Path) -> Job | None:
        """The job that waits or runs for a session."""
        with self._lock:
            return self._current(folder)

    def latest(self, folder: Path) -> Job | None:
        """The newest job of a session, over or not."""
        return next((job for job in reversed(self._jobs) if job.folder == folder), None)

    def _current(self, folder: Path) -> Job | None:
        mine = (j for j in self._jobs if j.folder == folder and not j.aside)
        return next((j for j in mine if not j.is_over), None)

    def _begin_next(self) -> None:
        """Start the oldest waiting jobs where none of their kind runs; the lock is held."""
        for aside in (False, True):
            own = [job for job in self._jobs if job.aside == aside]
            job = next((job for job in own if job.state == "waiting"), None)
            if job is not None and not any(job.state == "running" for job in own):
                self._begin(job)

    def _begin(self, job: Job) -> None:
        # a fresh interpreter: a fork of a threaded server can hang
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe(duplex=False)
        arguments = (theirs, job.work, job.folder, job.options, job.aside)
        # a daemon may have no processes of its own, which training needs to make halls
        process = context.Process(target=_do, args=arguments, daemon=False)
        process.start()
        self._processes[job.aside] = process
        theirs.close()
        job.state, job.began_s = "running", time.time()
        threading.Thread(target=self._listen, args=(job, ours, process), daemon=True).start()

    def _listen(self, job: Job, ours: Connection, process: Any) -> None:
        try:
            while True:
                kind, words, share = ours.recv()
                with self._lock:
                    if job.is_over:
                        continue
                    if kind == "progress":
                        job.doing, job.share = words, share
                    else:
                        _end(job, kind, words)
        except (EOFError, OSError):
            pass
        process.join()
        with self._lock:
            if not job.is_over:
                _end(job, "failed", "It was killed, perhaps for lack of memory. Start it again.")
            self._begin_next()


def _end(job: Job, state: State, words: str) -> None:
    job.state, job.words, job.ended_s = state, words, time.time()


def _do(ours: Connection, work: Work, folder: Path, options: dict[str, Any], aside: bool) -> None:
    """What the process does."""
    told_s = 0.0
    # an orderly end, so that processes of its own end with it
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    if aside and hasattr(os, "nice"):
        os.nice(19)

    def tell(text: str, share: float) -> None:
        nonlocal told_s
        if share in (0.0, 1.0) or time.monotonic() - told_s > 0.1:
            told_s = time.monotonic()
            ours.send(("progress", text, share))  # fails where nobody listens any more

    try:
        ours.send(("done", work(folder, progress=tell, **options), 1.0))
    except HalfvolleyError as error:
        ours.send(("failed", str(error), 0.0))
    except (BrokenPipeError, KeyboardInterrupt):
        pass
    except Exception as error:
        ours.send(("failed", f"It broke: {type(error).__name__}: {error}", 0.0))
        raise
