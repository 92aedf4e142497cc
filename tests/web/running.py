"""A workbench in a process of its own, as a person starts it."""

import os
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path


@dataclass
class Served:
    """A running workbench."""

    root: Path
    process: subprocess.Popen
    address: str

    def kill(self):
        """As when the machine loses power."""
        self.process.kill()
        self.process.communicate()

    def end(self):
        """As with Ctrl-C."""
        self.process.terminate()
        self.process.communicate(timeout=20)


def serve(
    root: Path, port: int = 0, more: tuple[str, ...] = (), path: Path | None = None
) -> Served:
    """Start a workbench; it says its own address. Modules in `path` are found first."""
    found_in = [str(path)] * (path is not None) + [p for p in (os.environ.get("PYTHONPATH"),) if p]
    process = subprocess.Popen(
        [sys.executable, "-m", "halfvolley.cli", "workbench", str(root), "--no-browser",
         "--port", str(port), *more],
        env=os.environ | {"PYTHONPATH": os.pathsep.join(found_in)},
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    line = process.stdout.readline()
    found = re.search(r"http://\S+", line)
    assert found, line + process.stdout.read()
    return Served(root, process, found[0].rstrip("/"))
