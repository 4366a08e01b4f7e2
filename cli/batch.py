"""``spillgate batch``: a tree of takes."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from spillgate.cli.options import chosen_chain, common, default_workers, split_words, stem_options

if TYPE_CHECKING:
    from spillgate.cli.many import Outcome

__all__ = ["command"]

TELL_S = 10.0
"""So often the overview is brought up to date while takes are being done."""


@click.command(
    short_help="The main job on every take of a tree.",
    epilog='\b\nExample:\n  spillgate batch "Festival" -o "Festival clean" --workers 2\n',
    options_metavar="-o OUT [OPTIONS]",
    context_settings={"ignore_unknown_options": True},
)
@click.argument("words", nargs=-1, type=click.UNPROCESSED, metavar="FOLDER [PROCESSOR [OPTIONS]]...")
@click.option("-o", "--out", metavar="OUT", type=click.Path(path_type=Path), help="Folder for all outputs.")
@common("chain", "set")
@click.option("--cluster", metavar="ADDRESS", help="Scheduler of a dask cluster, tcp://host:port.")
@stem_options
@common("workers", "json", "quiet", "debug")
def command(
    words: tuple[str, ...],
    out: Path | None,
    chain_file: Path | None,
    settings: tuple[str, ...],
    cluster: str | None,
    stems: Mapping[str, Any],
    workers: int | None,
    as_json: bool,
    quiet: bool,
    debug: bool,
) -> None:
    """Clean and align every take below FOLDER, each in a process of its own.

    Takes done before with the same recordings and settings are not done again,
    so an interrupted batch goes on where it stopped. A bad take never stops
    the others. OUT/takes.csv and OUT/takes.html list the results. Stems: see
    --help-stems.
    """
    folder, parts = split_words(words, "batch FOLDER")
    chain = chosen_chain(parts, settings, chain_file)
    if folder is None:
        raise click.UsageError("which folder? spillgate batch FOLDER -o OUT")
    if out is None:
        raise click.UsageError(f"where to? spillgate batch {folder} -o OUT")

    from dataclasses import asdict

    from spillgate.cli.job import prepare_kernels
    from spillgate.cli.many import tasks_of
    from spillgate.cli.spread import local, on_cluster
    from spillgate.cli.takes_page import ranked
    from spillgate.dsp.errors import DspError, OutputError, TakeError
    from spillgate.dsp.plan.output import Output
    from spillgate.dsp.words import counted, printable

    tree = Path(folder)
    if not tree.is_dir():
        raise TakeError(f"{folder}: no such folder; check the path")
    a, b = out.resolve(), tree.resolve()
    if a == b or b in a.parents or a in b.parents:
        raise OutputError(f"{out}: lies inside {tree} or holds it; choose a folder apart from the recordings")
    tasks = tasks_of(tree, out, chain, Output(**stems))
    submit = on_cluster(cluster) if cluster else local(workers or default_workers())
    prepare_kernels(quiet or as_json)
    outcomes: list[Outcome] = []
    written = time.monotonic()
    try:
        with _bar(len(tasks), quiet or as_json) as advance:
            for outcome in submit(tasks):
                outcomes.append(outcome)
                advance(outcome.take, outcome.state)
                if time.monotonic() - written > TELL_S:
                    _write(outcomes, len(tasks), out)
                    written = time.monotonic()
    finally:
        if outcomes:
            _write(outcomes, len(tasks), out)
    failed = [o for o in ranked(outcomes) if o.state == "failed"]
    if as_json:
        import json

        click.echo(json.dumps([asdict(o) for o in ranked(outcomes)], indent=2, ensure_ascii=False))
    elif not quiet:
        again = sum(o.state == "had been done" for o in outcomes)
        done = len(outcomes) - len(failed)
        click.echo(f"{done} of {len(outcomes)} takes done" + (f", {again} of them before" if again else "") + ".")
        asked = [o for o in ranked(outcomes) if o.questions][:5]
        for o in asked:
            click.echo(printable(f"  {o.take}: {counted(o.questions, 'question')}"))
        click.echo(f"Overview, the worst first: {out / 'takes.html'}")
    for o in failed:
        click.echo(printable(f"{o.take}: {o.verdict}"), err=True)
    if failed:
        raise DspError(f"{len(failed)} of {len(outcomes)} takes failed; mend them and start the same command again")


def _write(outcomes: Sequence[Outcome], of: int, out: Path) -> None:
    from spillgate.cli.takes_page import overview, table
    from spillgate.dsp.writing import write_atomically

    out.mkdir(parents=True, exist_ok=True)
    write_atomically(out / "takes.csv", table(outcomes).encode("utf-8", "backslashreplace"))
    write_atomically(out / "takes.html", overview(outcomes, of).encode("utf-8", "backslashreplace"))


@contextlib.contextmanager
def _bar(n: int, quiet: bool) -> Iterator[Callable[[str, str], None]]:
    if quiet or not sys.stderr.isatty():
        yield lambda take, state: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description:<32}"), BarColumn(), TextColumn("{task.completed}/{task.total}"))
    left = TimeRemainingColumn()
    with Progress(*columns, left, TextColumn("left"), console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("takes", total=n)
        yield lambda take, state: bar.update(task, advance=1, description=f"{take[:24]} {state}")
