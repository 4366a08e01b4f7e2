"""``spillgate review``: the review page on this machine."""

from __future__ import annotations

import socket
from pathlib import Path

import click

from spillgate.cli.options import common, default_workers
from spillgate.dsp.errors import OutputError

__all__ = ["command"]


@click.command(
    short_help="Look at every decision, overrule it, render again.",
    epilog='\b\nExample:\n  spillgate review "Song 3 clean"\n',
)
@click.argument("out", metavar="OUT", type=click.Path(path_type=Path))
@click.option("--port", metavar="N", type=click.IntRange(0, 65535), default=0, help="Default: a free one.")
@click.option("--open/--no-open", "show", default=True, help="Whether to open the browser.")
@click.option("--take", "moved_to", metavar="TAKE", type=click.Path(path_type=Path), help="Where the take is now.")
@common("workers", "quiet", "debug")
def command(
    out: Path, port: int, show: bool, moved_to: Path | None, workers: int | None, quiet: bool, debug: bool
) -> None:
    """Serve the review page of OUT to the browser on this machine.

    Nothing leaves the machine. *Save* writes OUT/corrections.toml; Ctrl-C ends
    the server, and edits not yet saved are there again next time.
    """
    import uvicorn

    from spillgate.cli.desk import open_desk
    from spillgate.cli.job import prepare_kernels
    from spillgate.cli.server import Review, make_app

    prepare_kernels(quiet)
    review = Review(open_desk(out, moved_to, workers or default_workers()))
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as listening:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listening.bind(("127.0.0.1", port))
        except OSError as error:
            raise OutputError(
                f"--port {port}: cannot be used ({error.strerror}); leave it out for a free one"
            ) from error
        listening.listen()  # before the address is told: a fast browser waits instead of being refused
        port = listening.getsockname()[1]
        address = f"http://127.0.0.1:{port}/{review.token}/"
        click.echo(address)
        if show:
            click.launch(address)
        server = uvicorn.Server(
            uvicorn.Config(make_app(review, port), log_level="warning", access_log=False, server_header=False)
        )
        server.run(sockets=[listening])
