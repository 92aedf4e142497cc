"""Makes the generator of invented strokes importable."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
