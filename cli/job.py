"""The main job from folder to folder, as the commands `run` and `demo` do it."""

from __future__ import annotations

import contextlib
import json
import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from spillgate.cli.options import default_workers
from spillgate.cli.output import check_output, fill

if TYPE_CHECKING:
    from spillgate.dsp.chain import Chain
    from spillgate.dsp.plan.model import Plan
    from spillgate.dsp.render import RenderReport
    from spillgate.dsp.take.model import Progress, Take

ROLE_WEIGHT = 20.0
"""Weight of a question about a role: above every other, as all else follows from the roles."""

__all__ = ["main_job", "prepare_kernels", "progress_bar"]


def main_job(
    folder: Path,
    out: Path,
    chain: Chain,
    *,
    inputs: Path | None = None,
    workers: int | None = None,
    overwrite: bool = False,
    quiet: bool = False,
) -> tuple[Take, Plan, RenderReport]:
    """Read a take, decide, render, and write everything into the output folder.

    Parameters
    ----------
    folder, out : Path
    chain : Chain
    inputs : Path, optional
        Corrected input list.
    workers : int, optional
        Threads; default: the cores, at most four.
    overwrite : bool
        Whether an earlier output may be replaced.
    quiet : bool
        No progress, no hints.

    Returns
    -------
    take, plan, report
        What was read, decided and written.

    Raises
    ------
    DspError
        Bad input; nothing was written then.
    """
    check_output(out, folder, overwrite)
    prepare_kernels(quiet)
    from spillgate.dsp.plan import store, tables
    from spillgate.dsp.render import render
    from spillgate.dsp.take.opening import open_take

    with progress_bar(quiet) as progress:
        take = open_take(folder, inputs=inputs, workers=workers or default_workers(), progress=progress)
        for processor in chain.processors:
            processor.check_tracks(take)
        with fill(out) as (new, work):
            plan = _with_doubts(chain.decide(take, work=work / "features"), take)
            report = render(take, plan, new)
            store.save(plan, new)
            tables.write_hits(plan, new / "hits.csv")
            tables.write_alignment(plan, new / "alignment.csv")
            source = {"schema": 1, "take": str(folder.resolve())}
            if inputs is not None:
                source["inputs"] = str(inputs.resolve())
            (new / "source.json").write_text(json.dumps(source, indent=2, ensure_ascii=False) + "\n", "utf-8")
    return take, plan, report


def _with_doubts(plan: Plan, take: Take) -> Plan:
    """Ask about every track whose role is a doubtful guess."""
    from spillgate.dsp.plan.model import Question

    asked = []
    for t in take.tracks:
        if t.doubt:
            taken = " ".join(w for w in (t.drum or ("no drum" if t.role == "other" else t.role), t.position) if w)
            text = f"{t.label}: is it right as {taken}? ({t.doubt.rstrip('?')})"
            asked.append(Question(code="inputs.role", text=text, track=t.id, weight=ROLE_WEIGHT))
    return plan.with_questions("inputs.", tuple(asked))


@contextlib.contextmanager
def progress_bar(quiet: bool) -> Iterator[Progress | None]:
    """Show what `Take.map` tells, on a terminal only."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description:<28}"), BarColumn(), TextColumn("{task.completed}/{task.total}"))
    with Progress(*columns, TimeElapsedColumn(), console=Console(stderr=True), transient=True) as bar:
        tasks: dict[str, Any] = {}

        def tell(done: int, of: int, what: str) -> None:
            if what not in tasks:
                tasks[what] = bar.add_task(what, total=of)
            bar.update(tasks[what], completed=done, total=of)

        yield tell


def prepare_kernels(quiet: bool) -> None:
    """Say so when loops will be compiled first; give numba a folder if it has none it can write to."""
    home = Path(__file__).resolve().parent.parent
    folders = [home / "dsp" / "core" / "__pycache__"]
    own = os.environ.get("NUMBA_CACHE_DIR")
    if own:
        folders = [Path(own)]
    elif not _writable(folders[0]):
        folders.append(Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "numba")
        if not _writable(folders[-1]):
            folders = [Path(tempfile.mkdtemp(prefix="spillgate-numba-"))]
            os.environ["NUMBA_CACHE_DIR"] = str(folders[0])
            text = "spillgate: the cache of compiled code cannot be written; every run will compile anew"
            click.echo(f"{text} (set NUMBA_CACHE_DIR to a folder that can be written)", err=True)
    if not quiet and not any(next(f.rglob("*.nbi"), None) for f in folders if f.is_dir()):
        click.echo("spillgate: first run on this machine: compiling, about half a minute longer", err=True)


def _writable(folder: Path) -> bool:
    there = next((p for p in (folder, *folder.parents) if p.exists()), None)
    return there is not None and os.access(there, os.W_OK)
