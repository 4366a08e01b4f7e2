"""``spillgate check``: whether a line check or a take is right, and what to do about it."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from spillgate.cli.options import common
from spillgate.dsp.errors import AudioFileError, DspError, OutputError, TakeError

if TYPE_CHECKING:
    from spillgate.dsp.plan.model import Plan
    from spillgate.dsp.take.model import Take

__all__ = ["command"]

UNFINISHED = ".check-"
"""Begins the names of what a check that was killed may leave in its folder."""

MEND = 3
"""Exit code if something must be mended."""

ORDER = """Play for the line check, each three or four times, a second apart, loud:

  1. kick
  2. snare
  3. hi-hat: closed, then open
  4. toms from high to low, the floor tom last; let each ring out
  5. ride, then the crashes from left to right, china and splash
  6. snare once more, three times: the overheads are measured by it
  7. ten seconds of the loudest beat of the show, with every drum in it

Nobody talks over the hits; between them it does not matter."""


@click.command(
    short_help="Line check or take: what is wrong, what to move.",
    epilog="\b\nExample:\n  spillgate check TAKE -o CHECK1\n  spillgate check TAKE2 --against CHECK1\n",
)
@click.argument("take", required=False, type=click.Path(path_type=Path))
@click.option("-o", "--out", metavar="OUT", type=click.Path(path_type=Path), help="Folder for check.json and a page.")
@click.option("--against", metavar="OLD_OUT", type=click.Path(path_type=Path), help="Say what changed since then.")
@click.option("--latest", is_flag=True, help="The newest recordings in TAKE only.")
@click.option("--order", is_flag=True, help="Print what to ask the drummer for.")
@click.option(
    "--kind", type=click.Choice(["auto", "line", "take"]), default="auto", help="Limits; default: by the playing."
)
@common("inputs", "workers", "overwrite", "json", "quiet", "debug")
@click.pass_context
def command(
    context: click.Context,
    take: Path | None,
    out: Path | None,
    against: Path | None,
    latest: bool,
    order: bool,
    kind: str,
    inputs: Path | None,
    workers: int | None,
    overwrite: bool,
    as_json: bool,
    quiet: bool,
    debug: bool,
) -> None:
    """Judge every channel of TAKE, a line check or a take. Changes nothing.

    Exit code 3 if something must be mended.
    """
    if order:
        click.echo(ORDER)
        return
    if take is None:
        raise click.UsageError("which take? spillgate check TAKE")
    if not take.is_dir():
        what = "is a file; give the folder that holds it" if take.exists() else "no such folder; check the path"
        raise TakeError(f"{take}: {what}")
    old = read_old(against) if against is not None else None
    if out is not None:
        check_room(out, take, overwrite)
    from spillgate.cli.check_screen import changes, show, summary

    opened, plan, note = judge(take, inputs, workers, kind, latest, quiet or as_json, keep=out is not None)
    said = changes(opened, plan, old) if old is not None else []
    if out is not None:
        write(opened, plan, out)
    if as_json:
        click.echo(summary(opened, plan, said))
    elif not quiet:
        show(opened, plan, said, note, out)
    if any(f.severity == "mend" for f in plan.findings):
        context.exit(MEND)


def judge(
    folder: Path, inputs: Path | None, workers: int | None, kind: str, latest: bool, quiet: bool, keep: bool
) -> tuple[Take, Plan, str]:
    """Open a take and check it; a file that cannot be used is a finding, and the others are judged without it.

    `keep`: the plan will be written, with the fingerprints of the files.

    Returns
    -------
    take, plan
    note : str
        Which recordings were taken, if only the newest were asked for.
    """
    import tempfile

    from spillgate.cli.job import prepare_kernels, progress_bar
    from spillgate.cli.newest import newest
    from spillgate.cli.options import default_workers

    prepare_kernels(quiet)
    from spillgate.dsp.chain import Chain
    from spillgate.dsp.processors.align import Align
    from spillgate.dsp.processors.check import Check
    from spillgate.dsp.processors.detect import Detect
    from spillgate.dsp.take.opening import open_take

    with tempfile.TemporaryDirectory(prefix="spillgate-") as work, progress_bar(quiet) as progress:
        note = ""
        if latest:
            folder, note = newest(folder, Path(work) / "take")
        chain = Chain(processors=(Detect(), Align(move="none"), Check(kind=kind)))
        broken: dict[str, DspError] = {}  # known only when their samples are read
        while True:
            unfit: dict[str, DspError] = {}
            opened = open_take(
                folder,
                inputs=inputs,
                leave_out=broken,
                workers=workers or default_workers(),
                progress=progress,
                unfit=unfit,
            )
            try:
                plan = chain.decide(opened, work=Path(work) / "features", hashed=keep)
                break
            except AudioFileError as error:
                if not error.file or error.file in broken:
                    raise
                broken[error.file] = error
    meant = [name for name in opened.left_out if name not in broken]
    return opened, _with_files(plan, {**unfit, **broken}, meant), note


def _with_files(plan: Plan, unfit: Mapping[str, DspError], meant: Sequence[str]) -> Plan:
    """Add what is to be said about files that are not among the tracks."""
    from spillgate.dsp.plan.model import Finding

    faults = (Finding(code="unfit", severity="mend", track=n, advice=str(e)) for n, e in sorted(unfit.items()))
    text = "left out because the input list says so"
    notes = (Finding(code="left_out", severity="note", track=name, advice=f"{name}: {text}.") for name in meant)
    return plan.replace(findings=(*faults, *plan.findings, *notes))


def read_old(folder: Path) -> tuple[dict[str, object], Plan | None]:
    """Read an earlier check.

    Raises
    ------
    OutputError
        If there is none in that folder.
    """
    from spillgate.dsp.plan import store

    path = folder / "check.json" if folder.is_dir() else folder
    try:
        document = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise OutputError(f"{folder}: holds no check.json; give the folder that check -o has written") from error
    if not isinstance(document, dict) or "findings" not in document:
        raise OutputError(f"{path}: is no check.json of ours; give the folder that check -o has written")
    try:
        plan = store.load(path.parent) if (path.parent / "plan.json").is_file() else None
    except DspError:
        plan = None
    return document, plan


def check_room(out: Path, take: Path, overwrite: bool) -> None:
    """Refuse an output that would harm something."""
    a, b = out.resolve(), take.resolve()
    if a == b or b in a.parents:
        raise OutputError(f"{out}: lies in the take; choose a folder outside {take}")
    if out.exists() and not out.is_dir():
        raise OutputError(f"{out}: is a file; choose a folder")
    if not out.is_dir() or all(p.name.startswith(UNFINISHED) for p in out.iterdir()):
        return
    if (out / "stems").exists():
        raise OutputError(f"{out}: holds the output of a run; choose another folder")
    if not (out / "check.json").is_file():
        raise OutputError(f"{out}: is not empty and holds no earlier check; choose another folder")
    if not overwrite:
        raise OutputError(f"{out}: holds an earlier check; choose another folder or add --overwrite")


def write(take: Take, plan: Plan, out: Path) -> None:
    """Write check.json, the plan and the page; each file whole or not at all."""
    import os
    import shutil
    import tempfile

    from spillgate.cli.check_page import page
    from spillgate.dsp.plan import store
    from spillgate.dsp.processors.check import check_json

    try:
        out.mkdir(parents=True, exist_ok=True)
        for left in out.glob(f"{UNFINISHED}*"):  # of a check that was killed
            shutil.rmtree(left, ignore_errors=True)
        new = Path(tempfile.mkdtemp(prefix=UNFINISHED, dir=out))
    except OSError as error:
        raise OutputError(f"{out}: cannot be written to ({error.strerror}); choose another folder") from error
    try:
        store.save(plan, new)
        (new / "check.json").write_text(
            json.dumps(check_json(plan), indent=2, ensure_ascii=False, allow_nan=False) + "\n", "utf-8"
        )
        (new / "check.html").write_text(page(take, plan), "utf-8")
        shutil.rmtree(out / "model", ignore_errors=True)
        for path in sorted(new.iterdir()):
            os.replace(path, out / path.name)
    finally:
        shutil.rmtree(new, ignore_errors=True)
