"""What all commands share: one sentence for an error, a bar on a terminal, the console."""

import functools
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import typer

from halfvolley.errors import HalfvolleyError

if TYPE_CHECKING:
    from rich.console import Console


def plain_errors(command: Callable[..., None]) -> Callable[..., None]:
    """One sentence instead of a trace for what a user can meet."""

    @functools.wraps(command)
    def run(*args: Any, **kwargs: Any) -> None:
        try:
            command(*args, **kwargs)
        except HalfvolleyError as error:
            typer.echo(f"halfvolley: {error}", err=True)
            raise typer.Exit(1) from None
        except BrokenPipeError:
            raise  # whoever read the output has enough of it
        except OSError as error:
            what = f"{error.filename}: " if error.filename else ""
            typer.echo(
                f"halfvolley: {what}{error.strerror or error}; check the path and who may read and "
                "write there",
                err=True,
            )
            raise typer.Exit(1) from None
        except KeyboardInterrupt:
            typer.echo(
                "halfvolley: stopped; what was finished is kept, the same command goes on from "
                "there",
                err=True,
            )
            raise typer.Exit(130) from None

    return run


def console() -> "Console":
    """Where results are printed."""
    from rich.console import Console

    # a file or pipe gets whole lines, however wide
    return Console(highlight=False, width=None if sys.stdout.isatty() else 160)


@contextmanager
def progress_bars() -> Iterator[Callable[[str, float], None]]:
    """A bar on a terminal, silence elsewhere."""
    if not sys.stderr.isatty():
        yield lambda text, share: None
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        Progress,
        TaskID,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    columns = (
        TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn(),
        TextColumn("[dim]left[/dim]"), TimeRemainingColumn(),
    )  # fmt: skip
    with Progress(*columns, console=Console(stderr=True), transient=True) as bars:
        tasks: dict[str, TaskID] = {}

        def tell(text: str, share: float) -> None:
            if text not in tasks:
                tasks[text] = bars.add_task(text, total=1.0)
            bars.update(tasks[text], completed=share)

        yield tell
