"""The main job from folder to folder, as the commands `run` and `demo` do it."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from spillgate.cli.options import default_workers
from spillgate.cli.output import check_output, fill, refuse_recordings, stamps_of

if TYPE_CHECKING:
    from spillgate.cli.report import Pictures, Words
    from spillgate.dsp.chain import Chain
    from spillgate.dsp.plan.corrections import Corrections
    from spillgate.dsp.plan.model import Plan
    from spillgate.dsp.plan.output import Output
    from spillgate.dsp.render import RenderReport
    from spillgate.dsp.take.model import Progress, Take, Track

ROLE_WEIGHT = 20.0
"""Weight of a question about a role: above every other, as all else follows from the roles."""

CORRECTIONS = "corrections.toml"
"""The engineer's own file in the output folder: laid over every plan, written only by *Save* on the review page."""

__all__ = [
    "CORRECTIONS",
    "laid_over",
    "main_job",
    "page_of",
    "prepare_kernels",
    "progress_bar",
    "read_own",
    "stems_of",
    "with_doubts",
    "words_of",
    "write_output",
]


def main_job(
    folder: Path,
    out: Path,
    chain: Chain,
    *,
    inputs: Path | None = None,
    workers: int | None = None,
    overwrite: bool = False,
    quiet: bool = False,
    output: Output | None = None,
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
    output : Output, optional
        How the stems are handed over; default: as the recordings came.

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
    from spillgate.dsp.chain import Memory, with_roles
    from spillgate.dsp.handover import check_targets
    from spillgate.dsp.plan.model import Plan
    from spillgate.dsp.plan.output import Output, with_output
    from spillgate.dsp.take.opening import open_take
    from spillgate.dsp.take.stamps import stamps, unchanged

    before = stamps(folder)
    laid = laid_over(out, inputs)
    corrections = read_own(out)
    with progress_bar(quiet) as progress:
        take = open_take(folder, inputs=inputs, workers=workers or default_workers(), progress=progress)
        for processor in chain.processors:
            processor.check_tracks(take)
        refuse_recordings(out, take)
        wanted = output or Output()
        check_targets(take, with_output(Plan(), wanted))
        with fill(out) as (new, work):
            memory = Memory(keep=False)
            plan = chain.decide(take, work=work / "features", corrections=corrections, memory=memory)
            take = with_roles(take, corrections).replace(outlines=memory.outlines)
            del memory  # with all that was measured
            plan = with_doubts(plan, take, corrections)
            plan, report = write_output(take, with_output(plan, wanted), new, out)
            unchanged(take, before)
            source = {"schema": 1, "take": str(folder.resolve()), "laid": laid, "version": version("spillgate")}
            source["written"] = stamps_of(new)
            if inputs is not None:
                source["inputs"] = str(inputs.resolve())
            (new / "source.json").write_text(json.dumps(source, indent=2, ensure_ascii=False) + "\n", "utf-8")
    return take, plan, report


def laid_over(out: Path, inputs: Path | None) -> dict[str, str]:
    """Hash what the engineer wrote about a take: whether it has changed since must not depend on clocks."""
    found = {}
    for what, path in (("corrections", out / CORRECTIONS), ("inputs", inputs)):
        if path is not None and path.is_file():
            found[what] = hashlib.blake2b(path.read_bytes(), digest_size=16).hexdigest()
    return found


def read_own(out: Path) -> Corrections:
    """Read the corrections in an output folder; empty if there are none."""
    from spillgate.dsp.errors import PlanError
    from spillgate.dsp.plan.corrections import Corrections, read_corrections

    path = out / CORRECTIONS
    if path.is_symlink() or path.exists():
        if not path.is_file():
            raise PlanError(f"{path}: cannot be read as a file; mend it, or take it away to undo all corrections")
        return read_corrections(path)
    return Corrections()


def write_output(
    take: Take,
    plan: Plan,
    new: Path,
    out: Path,
    files: set[str] | None = None,
    pictures: Pictures | None = None,
    before: Plan | None = None,
) -> tuple[Plan, RenderReport]:
    """Write stems, plan, tables, session sheet, report and its previews.

    Parameters
    ----------
    take : Take
    plan : Plan
    new : Path
        Folder that is written to.
    out : Path
        Folder it will be moved to: the report's links are relative to it.
    files : set of str, optional
        Stems to render; the others stay as they are in `out`.
    pictures : Pictures, optional
        What was drawn for an earlier report of the same take.
    before : Plan, optional
        Of the output that is there, whose other stems stay.

    Returns
    -------
    plan, report : Plan, RenderReport
        The plan now says what the render did, too.
    """
    from spillgate.cli.report import Removed, write_previews, write_report
    from spillgate.dsp.plan import cuts, notes, sheet, store, tables
    from spillgate.dsp.render import render, with_report

    hear = Removed(take, plan, new)
    try:
        report = render(take, plan, new, only=files, listen=hear)
    finally:
        heard = hear.close()
    plan = with_report(plan, report, before)
    store.save(plan, new)
    tables.write_hits(plan, new / "hits.csv")
    tables.write_hits_json(plan, new / "hits.json")
    cuts.write_cuts(plan, new / "cuts.csv")
    tables.write_alignment(plan, new / "alignment.csv")
    notes.write_midi(plan, new / "hits.mid")
    words = words_of(take, plan, report)
    sheet.write_sheet(words.sheet, new / "session.txt")
    stems = stems_of(take, new / "stems", out / "stems", plan=plan).replace(outlines=report.outlines)
    with ThreadPoolExecutor(1) as aside:  # the two wait for nothing of each other
        previews = aside.submit(write_previews, take, plan, stems, new, files, out, heard)
        write_report(take, plan, stems, new, out, words, pictures)
        previews.result()
    return plan, report


def page_of(take: Take, plan: Plan, out: Path, base: str, nonce: str, pictures: Pictures | None = None) -> str:
    """Build the review page of an output folder."""
    from spillgate.cli.report import page
    from spillgate.dsp.render import RenderReport

    stems = stems_of(take, out / "stems", plan=plan)
    report = RenderReport(stems=(), folder=out / "stems")
    return page(take, plan, stems, out, words_of(take, plan, report), base, nonce, pictures)


def words_of(take: Take, plan: Plan, report: RenderReport) -> Words:
    """Give the report the sentences of the terminal."""
    from spillgate.cli.report import Words
    from spillgate.cli.screen import CAUTION, changes, track_words
    from spillgate.dsp import registry
    from spillgate.dsp.plan.sheet import session_sheet

    said = changes(plan)
    tracks = track_words(plan, report)
    recall = {t.id: t.recall for t in take.tracks}
    versions = ", ".join(f"{e['processor']} {e['version']}" for e in plan.chain)
    return Words(
        changed=" ".join(said),
        tracks=tracks,
        caution=CAUTION,
        sheet=session_sheet(plan, take=take.name, said=said, words=tracks, recall=recall, said_as=registry.said),
        footer=f"Made by {versions}. Recordings are never changed; plan.json holds every decision.",
    )


def stems_of(take: Take, *folders: Path, plan: Plan) -> Take:
    """Open rendered stems with the tracks of their take; each file in the first of the folders that has it.

    A recording whose stem was left out, as there was nothing to do, stands for it.
    """
    import dataclasses

    from spillgate.dsp.handover import names_of_stems
    from spillgate.dsp.plan.output import output_of
    from spillgate.dsp.take.audio import FileReader

    output, names = output_of(plan), names_of_stems(take, plan)

    def opened(t: Track) -> Track:
        files, channel = [], t.channel
        for f in t.files:
            name = names[f.name, t.channel]
            found = next((d / name for d in folders if (d / name).is_file()), folders[-1] / name)
            if output.changed_only and not found.is_file():
                files.append(f)
                continue
            alone = len({names.get((f.name, c)) for c in range(f.n_channels)}) > 1  # became single tracks
            channel = 0 if alone else t.channel
            files.append(dataclasses.replace(f, path=found, n_channels=1 if alone else f.n_channels))
        return dataclasses.replace(t, files=tuple(files), channel=channel)

    return take.replace(tracks=tuple(opened(t) for t in take.tracks), features={}, outlines={}, reader=FileReader())


def with_doubts(plan: Plan, take: Take, corrections: Corrections) -> Plan:
    """Ask about every track whose role is a doubtful guess that was not corrected; note what was left out."""
    from spillgate.dsp.plan.model import Question

    asked = []
    said = {take.track(e.track).id for e in corrections.roles}
    for t in take.tracks:
        if t.doubt and t.id not in said:
            taken = " ".join(w for w in (t.drum or ("no drum" if t.role == "other" else t.role), t.position) if w)
            text = f"{t.label}: is it right as {taken}? ({t.doubt.rstrip('?')})"
            asked.append(Question(code="inputs.role", text=text, track=t.id, weight=ROLE_WEIGHT))
    if take.left_out:
        plan = plan.with_figures("inputs", {"left_out": list(take.left_out)})
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
    """Say on a terminal when loops will be compiled first; give numba a folder if it has none it can write to."""
    home = Path(__file__).resolve().parent.parent
    folders = [home / "dsp" / "core"]
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
    if not quiet and sys.stderr.isatty() and not any(next(f.rglob("*.nbi"), None) for f in folders if f.is_dir()):
        click.echo("spillgate: first run on this machine: compiling, about half a minute longer", err=True)


def _writable(folder: Path) -> bool:
    there = next((p for p in (folder, *folder.parents) if p.exists()), None)
    return there is not None and os.access(there, os.W_OK)
