"""`halfvolley workbench`: the browser app on this machine."""

from pathlib import Path
from typing import Annotated

import typer

from halfvolley.terminal import plain_errors

DEFAULT_PORT = 8642


@plain_errors
def workbench(
    folder: Annotated[
        Path, typer.Argument(help="Where sessions lie and are made.", metavar="[FOLDER]")
    ] = Path(),
    footage: Annotated[
        list[Path] | None, typer.Option(help="A further folder whose clips may be read.")
    ] = None,
    host: Annotated[
        str,
        typer.Option(
            help="Address to listen on. Any other than this machine's own needs the token that is "
            "then printed."
        ),
    ] = "127.0.0.1",
    port: Annotated[
        int, typer.Option(min=0, max=65535, help="Port to listen on; 0 takes a free one.")
    ] = DEFAULT_PORT,
    browser: Annotated[bool, typer.Option(help="Open the browser.")] = True,
) -> None:
    """The whole job in the browser, on this machine; nothing leaves it."""
    import webbrowser

    from halfvolley.web.app import listen, make_bench, serve
    from halfvolley.web.guard import Rules, is_loopback, new_token

    bench = make_bench(folder, tuple(footage or ()))
    listening = listen(host, port)
    port = listening.getsockname()[1]
    rules = Rules(host, port, None if is_loopback(host) else new_token())
    shown = f"[{host}]" if ":" in host else host
    address = f"http://{shown}:{port}/"
    typer.echo(f"The workbench is at {address} (stop it with Ctrl-C).")
    if rules.token is not None:
        typer.echo(f"Token: {rules.token}")
        typer.echo("Anyone in this network who has the token can see and change these sessions.")
    elif browser:
        webbrowser.open(address)
    serve(bench, rules, listening)
