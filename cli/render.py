"""``spillgate render``: corrections laid over an output's plan, and what changed rendered again."""

from __future__ import annotations

import json
import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import click

from spillgate.cli.options import common, default_workers
from spillgate.dsp.errors import OutputError

if TYPE_CHECKING:
    from spillgate.cli.desk import Desk

__all__ = ["command"]


@click.command(
    short_help="Lay corrections over an output and render, or verify it.",
    epilog='\b\nExample:\n  spillgate render "Song 3 clean"\n',
)
@click.argument("out", metavar="OUT", type=click.Path(path_type=Path))
@click.option("--verify", is_flag=True, help="Only compare the stems there with what the plan gives.")
@click.option("--without", metavar="PROC", multiple=True, help="Take back what a processor did, e.g. align or gate.")
@click.option("--with", "again", metavar="PROC", multiple=True, help="Take it in again.")
@click.option("--take", "moved_to", metavar="TAKE", type=click.Path(path_type=Path), help="Where the take is now.")
@common("workers", "json", "quiet", "debug")
def command(
    out: Path,
    verify: bool,
    without: tuple[str, ...],
    again: tuple[str, ...],
    moved_to: Path | None,
    workers: int | None,
    as_json: bool,
    quiet: bool,
    debug: bool,
) -> None:
    """Lay OUT/corrections.toml over the plan and render what changed.

    With --verify nothing is written: the stems are compared byte for byte
    with what plan and recordings give, and exit code 1 says they differ.
    With --without align the tracks stay where they were recorded, with
    --without gate they keep their bleed; it stays so until --with.
    """
    if verify and (without or again):
        raise click.UsageError("--verify compares only; leave out --without and --with")
    from spillgate.cli.desk import open_desk
    from spillgate.cli.job import prepare_kernels, progress_bar

    silent = quiet or as_json
    prepare_kernels(silent)
    with progress_bar(silent) as progress:
        desk = open_desk(out, moved_to, workers or default_workers(), progress)
        names = sorted({f.file for f in desk.plan.tracks})
        desk.take_back(without, again)
        different = _differ(desk) if verify else sorted(desk.render())
    if as_json:
        what = "differ" if verify else "rendered"
        click.echo(
            json.dumps(
                {"stems": names, what: different, "verified": verify and not different}, indent=2, ensure_ascii=False
            )
        )
    elif not quiet and verify and not different:
        many = f"All {len(names)} stems are" if len(names) > 1 else "The stem is"
        click.echo(f"{many} what the plan gives.")
    elif not quiet and not verify and different:
        if desk.spoiled:
            click.echo(f"Gone, changed or copied since they were written: {', '.join(sorted(desk.spoiled))}")
        click.echo(f"Rendered: {', '.join(different)}")
        click.echo(f"The other {len(names) - len(different)} stems stay as they were: {out / 'stems'}")
    elif not quiet and not verify:
        click.echo(f"Nothing to change: {out / 'stems'}")
    if not verify and not quiet and not as_json:
        for question in desk.plan.questions:
            if question.code.startswith("correction."):
                click.echo(question.text)
    if verify and different:
        more = f" and {len(different) - 1} more" if len(different) > 1 else ""
        verb = "differ" if more else "differs"
        text = f"{out}: {different[0]}{more} {verb} from what the plan gives"
        them = "them" if more else "it"
        raise OutputError(
            f"{text}; delete {them} there, and spillgate render {shlex.quote(str(out))} makes {them} anew"
        )


def _differ(desk: Desk) -> list[str]:
    """Render everything aside and name the stems that are not the same bytes."""
    from spillgate.cli.output import aside
    from spillgate.dsp.render import render

    with aside(desk.out) as new:
        report = render(desk.take, desk.plan, new)
        names = sorted(n for written in report.files.values() for n in written)
        different = [n for n in names if not _same(new / n, desk.out / n)]
        return [n.removeprefix("stems/") for n in different]


def _same(a: Path, b: Path) -> bool:
    import filecmp

    return a.is_file() and b.is_file() and filecmp.cmp(a, b, shallow=False)
