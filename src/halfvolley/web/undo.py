"""What people changed on the screens, so that each change can be taken back, the newest first."""

import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from halfvolley.errors import BadSession
from halfvolley.session.schema import Session, read_session

Restore = Callable[[Session], object]


@dataclass(frozen=True, slots=True)
class Change:
    """One change, and how to write again what was there before it."""

    what: str  # for people: "the names"
    restore: Restore  # given the session as it stands then


class Changes:
    """The changes of one screen of a session since the workbench was started."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._made: list[Change] = []
        self._lock = threading.Lock()

    def did(self, what: str, restore: Restore) -> None:
        """Remember a change that has been written."""
        with self._lock:
            self._made.append(Change(what, restore))

    @property
    def newest(self) -> str:
        """What would be taken back; "" for nothing."""
        return self._made[-1].what if self._made else ""

    def undo(self) -> None:
        """Take back the newest change.

        Raises
        ------
        BadSession
            If there is none, or session.toml has no place for it any more.
        StorageError
            If it cannot be written.
        """
        with self._lock:
            if not self._made:
                raise BadSession("there is nothing to undo")
            change = self._made.pop()  # one that cannot be taken back bars no earlier one
            change.restore(read_session(self._folder))
