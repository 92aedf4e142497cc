"""What must be quick loads nothing heavy."""

import subprocess
import sys

import pytest

HEAVY = ("numba", "cv2", "av", "scipy", "matplotlib", "pyarrow", "duckdb", "torch", "PIL")


def loaded_by(code: str) -> set[str]:
    """Heavy libraries that are loaded after the code has run."""
    probe = f"{code}\nimport sys; print(*(m for m in {HEAVY!r} if m in sys.modules))"
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True)
    return set(done.stdout.splitlines()[-1].split())


@pytest.mark.parametrize(
    "code",
    [
        "import halfvolley",
        "import halfvolley.cli",
        "import halfvolley.session.pipeline",
        "import halfvolley.types, halfvolley.errors, halfvolley.constants",
    ],
)
def test_nothing_heavy_is_loaded(code):
    assert loaded_by(code) == set()


def test_that_check_would_notice():
    assert "cv2" in loaded_by("import cv2")


def test_help_loads_nothing_heavy():
    code = (
        "from typer.testing import CliRunner; from halfvolley.cli import app\n"
        "assert CliRunner().invoke(app, ['measure', '--help']).exit_code == 0"
    )
    assert loaded_by(code) == set()
