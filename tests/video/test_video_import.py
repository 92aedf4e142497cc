"""The package itself stays light."""

import subprocess
import sys


def test_importing_the_package_loads_no_video_library():
    code = (
        "import sys, halfvolley; print('av' in sys.modules)\n"
        "import halfvolley.video; print('av' in sys.modules)"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.split() == ["False", "True"]
