"""What can go wrong, as a tree.

    HalfvolleyError
    ├── BadInput       (ValueError)  a value or file cannot be used; says what and what to do
    ├── BadSession     (ValueError)  session.toml or the folder is wrong; names line and key
    ├── FootageError   (OSError)     no such file, no video in it, no frames
    ├── NoCamera       (ValueError)  no table could be found or fitted, and no corners were given
    └── StorageError   (OSError)     the disk is full or not writable

What footage cannot tell is not an error: it is returned as `Unknown(reason)`.
"""

from dataclasses import dataclass


class HalfvolleyError(Exception):
    """Base of all errors a user can meet; its text is one plain sentence with a next step."""


class BadInput(HalfvolleyError, ValueError):
    """A value is out of range or of the wrong shape."""


class BadSession(HalfvolleyError, ValueError):
    """session.toml or the session folder cannot be used."""


class FootageError(HalfvolleyError, OSError):
    """A clip is missing, is no video, or holds no frame."""


class NoCamera(HalfvolleyError, ValueError):
    """No table could be found or fitted in the picture."""


class StorageError(HalfvolleyError, OSError):
    """Results could not be written."""


@dataclass(frozen=True, slots=True)
class Unknown:
    """A quantity that the footage cannot tell, and why."""

    reason: str

    def __bool__(self) -> bool:
        return False
