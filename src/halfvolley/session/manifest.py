"""The manifest of tables/: the run that made them, and the size of each file.

Apart from the writing of the tables, so that finding out that nothing is stale stays quick.
"""

import json
from pathlib import Path
from typing import Any

from halfvolley.errors import BadSession
from halfvolley.session.columns import TABLES_VERSION

MANIFEST = "manifest.json"


def read_manifest(folder: Path) -> dict[str, Any] | None:
    """The manifest of a complete result in a session folder; None where there is none.

    Parameters
    ----------
    folder : Path
        The session folder.

    Raises
    ------
    BadSession
        If the tables were written by a newer version.
    """
    tables = folder / "tables"
    try:
        manifest = json.loads((tables / MANIFEST).read_text(encoding="utf-8"))
        files = manifest["files"]
        whole = all((tables / name).stat().st_size == size for name, size in files.items())
        version = int(manifest["schema_version"])
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None
    if version > TABLES_VERSION:
        raise BadSession(
            f"{tables} has version {version}, newer than this program knows ({TABLES_VERSION}); "
            "update halfvolley"
        )
    return manifest if whole else None
