"""Results to maps, pictures, a page, an overlay video and words on the console."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from halfvolley.report.build import is_current, write_report

__all__ = ["is_current", "write_report"]


def __getattr__(name: str) -> Any:
    # words on the console need none of what draws
    if name in __all__:
        from halfvolley.report import build

        return getattr(build, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
