"""One window writes to a session; a second one is told and may take over."""

import threading
from collections.abc import Callable
from pathlib import Path


class Writers:
    """Who holds the pen of each session.

    Parameters
    ----------
    is_open : callable
        Whether the window of a name is still there.
    """

    def __init__(self, is_open: Callable[[str], bool]) -> None:
        self._is_open = is_open
        self._holder: dict[Path, str] = {}
        self._lock = threading.Lock()

    def ask(self, folder: Path, window: str) -> bool:
        """Whether a window may write; it takes the pen where nobody holds it."""
        with self._lock:
            holder = self._holder.get(folder)
            if holder is None or holder == window or not self._is_open(holder):
                self._holder[folder] = window
                return True
            return False

    def take(self, folder: Path, window: str) -> None:
        """Take the pen from whoever holds it."""
        with self._lock:
            self._holder[folder] = window
