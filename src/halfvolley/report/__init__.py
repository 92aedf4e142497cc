"""Results to maps, pictures, a page, an overlay video and words on the console."""

from halfvolley.report.build import is_current, write_report

__all__ = ["is_current", "write_report"]
