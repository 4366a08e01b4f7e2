"""``spillgate render``: the stems of an output once more, from its plan."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from spillgate.cli.options import common, default_workers
from spillgate.dsp.errors import OutputError, PlanError

if TYPE_CHECKING:
    from spillgate.dsp.plan.model import Plan
    from spillgate.dsp.take.model import Progress, Take

__all__ = ["command"]


@click.command(
    short_help="Render an output again from its plan, or verify it.",
    epilog='\b\nExample:\n  spillgate render "Song 3 clean" --verify\n',
)
@click.argument("out", metavar="OUT", type=click.Path(path_type=Path))
@click.option("--verify", is_flag=True, help="Only compare the stems there with what the plan gives.")
@click.option("--take", "moved_to", metavar="TAKE", type=click.Path(path_type=Path), help="Where the take is now.")
@common("workers", "json", "quiet", "debug")
def command(
    out: Path, verify: bool, moved_to: Path | None, workers: int | None, as_json: bool, quiet: bool, debug: bool
) -> None:
    """Render the stems in OUT again from its plan.json.

    With --verify nothing is written: the stems are compared byte for byte
    with what plan and recordings give, and exit code 1 says they differ.
    """
    from spillgate.cli.job import prepare_kernels, progress_bar
    from spillgate.cli.output import refill
    from spillgate.dsp.plan import store
    from spillgate.dsp.render import render

    if not (out / "plan.json").is_file():
        raise PlanError(f"{out}: no output of an earlier run (plan.json is missing)")
    silent = quiet or as_json
    prepare_kernels(silent)
    plan = store.load(out)
    with progress_bar(silent) as progress:
        take = _take(out, moved_to, workers, progress)
        _same_recordings(take, plan)
        with refill(out, keep=not verify) as new:
            render(take, plan, new)
            names = sorted({f.file for f in plan.tracks})
            differ = [n for n in names if not _same(new / "stems" / n, out / "stems" / n)]
    if as_json:
        click.echo(json.dumps({"stems": names, "differ": differ, "verified": verify}, indent=2, ensure_ascii=False))
    elif not quiet and verify and not differ:
        click.echo(f"All {len(names)} stems are what the plan gives.")
    elif not quiet and not verify:
        click.echo(f"{len(names)} stems rendered, {len(differ)} of them new: {out / 'stems'}")
    if verify and differ:
        more = f" and {len(differ) - 1} more" if len(differ) > 1 else ""
        raise OutputError(f"{out}: {differ[0]}{more} differ from what the plan gives; spillgate render {out} mends it")


def _take(out: Path, moved_to: Path | None, workers: int | None, progress: Progress | None) -> Take:
    from spillgate.dsp.take.opening import open_take

    try:
        source = json.loads((out / "source.json").read_text("utf-8"))
        folder = moved_to or Path(source["take"])
        inputs = Path(source["inputs"]) if "inputs" in source else None
    except (OSError, ValueError, KeyError, TypeError) as error:
        if moved_to is None:
            raise PlanError(f"{out}: source.json does not say where the take is; add --take TAKE") from error
        folder, inputs = moved_to, None
    if not folder.is_dir():
        raise PlanError(f"{folder}: the take is no longer there; add --take TAKE")
    return open_take(folder, inputs=inputs, workers=workers or default_workers(), progress=progress)


def _same_recordings(take: Take, plan: Plan) -> None:
    from spillgate.dsp.take.features import fingerprints

    now = fingerprints(take)
    for facts in plan.tracks:
        if facts.fingerprint and now.get(facts.file) != facts.fingerprint:
            what = "has changed since" if facts.file in now else "is missing"
            raise PlanError(f"{facts.file}: {what}; the plan does not fit it any more; run the take again")


def _same(a: Path, b: Path) -> bool:
    import filecmp

    return a.is_file() and b.is_file() and filecmp.cmp(a, b, shallow=False)
