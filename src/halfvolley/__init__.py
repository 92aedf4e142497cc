"""Table tennis measured from one ordinary camera."""

__version__ = "0.1.0"
