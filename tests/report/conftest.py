"""One invented evening as a measured session; tests look at the report that is made of it."""

import shutil
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
sys.path.insert(0, str(Path(__file__).parent))  # importlib mode does not do it

NAMES = ("Łukasz <b>&$x^$", "王楠")
SAID = """
[match]
best_of = 5

[[targets]]
name = "corner <i>"
corners_m = [[0.9, 0.2], [1.37, 0.2], [1.37, 0.76], [0.9, 0.76]]

[[points]]
clip = "evening"
t_s = 4.0
winner = "A"
"""


def make(folder: Path, rallies: int) -> Path:
    from made_session import make_session

    make_session(folder, rallies=rallies, seed=5, names=NAMES)
    toml = folder / "session.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + SAID, encoding="utf-8")
    return folder


@pytest.fixture(scope="session")
def evening(tmp_path_factory) -> Path:
    """A session with its whole report; to be looked at, not changed."""
    from halfvolley.report import write_report

    folder = make(tmp_path_factory.mktemp("evening") / "session", 26)
    write_report(folder, paper="A4")
    return folder


@pytest.fixture(scope="session")
def short_made(tmp_path_factory) -> Path:
    """A short session without a report."""
    return make(tmp_path_factory.mktemp("short") / "session", 7)


@pytest.fixture
def session(short_made, tmp_path) -> Path:
    """A copy of the short session that a test may change."""
    ignore = shutil.ignore_patterns("report")
    return Path(shutil.copytree(short_made, tmp_path / "session", ignore=ignore))
