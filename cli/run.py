"""``spillgate run``: the main job."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from spillgate.cli.options import chain_toml, chosen_chain, common, split_words, stem_options
from spillgate.dsp.errors import TakeError

__all__ = ["command"]

EPILOG = """\b
Examples:
  spillgate run "Song 3" -o "Song 3 clean"
  spillgate run "Song 3" -o "Song 3 clean" detect align gate --floor-db -18
"""


@click.command(
    short_help="Find the hits, clean the toms, line up the mics.",
    epilog=EPILOG,
    options_metavar="-o OUT [OPTIONS]",
    context_settings={"ignore_unknown_options": True},
)
@click.argument("words", nargs=-1, type=click.UNPROCESSED, metavar="TAKE [PROCESSOR [OPTIONS]]...")
@click.option("-o", "--out", metavar="OUT", type=click.Path(path_type=Path), help="Folder for the output.")
@common("inputs", "chain")
@click.option("--print-chain", is_flag=True, help="Print this chain as such a file and stop.")
@common("set")
@stem_options
@common("workers", "overwrite", "json", "quiet", "debug")
def command(
    words: tuple[str, ...],
    out: Path | None,
    inputs: Path | None,
    chain_file: Path | None,
    print_chain: bool,
    settings: tuple[str, ...],
    stems: Mapping[str, Any],
    workers: int | None,
    overwrite: bool,
    as_json: bool,
    quiet: bool,
    debug: bool,
) -> None:
    """Clean and align one take.

    TAKE is a folder of recordings. Without processors: detect align gate, whose
    options (spillgate processors NAME) follow the name. Stems: see --help-stems.
    """
    folder, parts = split_words(words)
    chain = chosen_chain(parts, settings, chain_file)
    if print_chain:
        click.echo(chain_toml(chain), nl=False)
        return
    if folder is None:
        raise click.UsageError("which take? spillgate run TAKE -o OUT")
    if out is None:
        raise click.UsageError(f"where to? spillgate run {folder} -o OUT")
    take_folder = Path(folder)
    if not take_folder.is_dir():
        what = "is a file; give the folder that holds it" if take_folder.exists() else "no such folder; check the path"
        raise TakeError(f"{folder}: {what}")
    from spillgate.cli.job import main_job
    from spillgate.cli.screen import show, summary
    from spillgate.dsp.plan.output import Output

    take, plan, report = main_job(
        take_folder,
        out,
        chain,
        inputs=inputs,
        workers=workers,
        overwrite=overwrite,
        quiet=quiet or as_json,
        output=Output(**stems),
    )
    if as_json:
        click.echo(summary(take, plan, report, out))
    elif not quiet:
        show(take, plan, report, out)
