"""`vrx app`: the job in a browser of this machine."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("app")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option("--port", type=click.IntRange(0, 65535), default=0,
              help="Port of the loopback address; any free one if left out.")
@click.option("--no-browser", is_flag=True, help="Only print the link.")
def command(*, folder: Path, port: int, no_browser: bool) -> None:
    """Do the job of a field in a browser of this machine.

    Opens FOLDER (made if it is not there) from the files to the handing over. Nothing leaves this
    machine: the app listens on 127.0.0.1 alone and lets in only who has the link that it prints.
    Everything is kept in FOLDER/plan.toml, as with the other commands. Needs: pip install
    'vrx[app]'.
    """
    from vrx.app import serve
    from vrx.cli import show

    serve(folder, port, not no_browser, tell=show.talk().print)
