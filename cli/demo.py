"""``spillgate demo``: a take whose truth is known, and what the main job makes of it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from spillgate.cli.options import common
from spillgate.dsp.errors import OutputError

if TYPE_CHECKING:
    from spillgate.dsp.plan.model import Plan
    from spillgate.dsp.synth.making import MadeTake

__all__ = ["command", "comparison"]

MATCH_S = 0.02
"""A found hit belongs to a planted one within this distance (half the tolerance usual for onsets, 50 ms, is too much
for strokes in quick succession; 20 ms is the stricter one in use for drums)."""

MASKED_DB = -6.0
"""A hit whose first 20 ms lie further under everything else in its mic cannot be heard there: it counts neither as
missed nor as false (common practice, no source)."""

Row = tuple[str, str, str, str]
"""What, planted, found, how they differ (empty: they agree)."""

DIFFERS = "differs"

MARK = "demo.json"
"""Beside the take: hashes of the recordings that the demo made, so that another demo takes away these and no others."""


@click.command(
    short_help="Make a take whose truth is known and run the main job on it.",
    epilog="\b\nExample:\n  spillgate demo spillgate-demo\n",
)
@click.argument("folder", metavar="[DIR]", required=False, default="spillgate-demo", type=click.Path(path_type=Path))
@common("workers", "overwrite", "json", "quiet", "debug")
def command(folder: Path, workers: int | None, overwrite: bool, as_json: bool, quiet: bool, debug: bool) -> None:
    """Write the built-in demo take to DIR/take and the result to DIR/out.

    A kit in a room, 20 seconds, 12 tracks: one overhead 7 cm too far away,
    one reversed cable, one clipped moment. At the end stands what was planted
    beside what was found. Without DIR: spillgate-demo.
    """
    take_folder, out = folder / "take", folder / "out"
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder}: is a file; choose a folder")
    if folder.is_dir() and any(folder.iterdir()) and not overwrite:
        raise OutputError(f"{folder}: exists and is not empty; choose another folder or add --overwrite")
    from spillgate.cli.job import main_job, progress_bar
    from spillgate.cli.output import check_output
    from spillgate.dsp.chain import Chain
    from spillgate.dsp.synth.demo import demo
    from spillgate.dsp.synth.writing import write_take
    from spillgate.dsp.writing import write_atomically

    check_output(out, take_folder, overwrite)
    silent = quiet or as_json
    with progress_bar(silent) as tell:
        if tell is not None:
            tell(0, 1, "making the take")
        made = demo()
        names = {t.file.name for t in made.take.tracks}
        _clear(take_folder, names, folder / MARK)
        write_take(made, take_folder)
        hashes = {name: _digest(take_folder / name) for name in sorted(names)}
        write_atomically(folder / MARK, (json.dumps({"take": hashes}, indent=1) + "\n").encode())
    take, plan, report = main_job(
        take_folder, out, Chain.from_names(), workers=workers, overwrite=overwrite, quiet=silent
    )
    rows = comparison(made, plan)
    if as_json:
        keys = ("what", "planted", "found", "differs")
        click.echo(json.dumps([dict(zip(keys, r, strict=True)) for r in rows], indent=2, ensure_ascii=False))
    elif not quiet:
        from spillgate.cli.screen import show

        show(take, plan, report, out)
        _table(rows, take_folder, out)


def _clear(folder: Path, names: Iterable[str], mark: Path) -> None:
    """Take away the take of an earlier demo, and no file of anybody else."""
    there = [folder / n for n in sorted(names) if (folder / n).is_symlink() or (folder / n).exists()]
    try:
        ours = json.loads(mark.read_text("utf-8"))["take"] if there else {}
    except (OSError, ValueError, KeyError, TypeError):
        ours = {}
    for path in there:
        if folder.is_symlink() or path.is_symlink() or not path.is_file() or ours.get(path.name) != _digest(path):
            raise OutputError(f"{path}: is no recording that a demo made; choose another folder for the demo")
    for path in there:
        path.unlink()


def _digest(path: Path) -> str:
    return hashlib.blake2b(path.read_bytes(), digest_size=16).hexdigest()


def comparison(made: MadeTake, plan: Plan) -> list[Row]:
    """Hold a plan against the truth of the take it was made from.

    Parameters
    ----------
    made : MadeTake
    plan : Plan

    Returns
    -------
    rows : list of (what, planted, found, how they differ)
    """
    rows: list[Row] = []
    facts = {f.track: f for f in plan.tracks}
    for track, arrivals in made.arrivals.items():
        if track not in facts or not any(facts[track].role == r for r in ("kick", "snare", "hat", "tom")):
            continue
        heard = sorted(float(row[0]) for row in arrivals if row[3] >= MASKED_DB)
        masked = sorted(float(row[0]) for row in arrivals if row[3] < MASKED_DB)
        found = sorted(h.time_s for h in plan.hits_of(track))
        pairs = _matched(heard, found)
        rest = [t for k, t in enumerate(found) if k not in {f for _, f in pairs}]
        false = len(rest) - len(_matched(masked, rest))
        said = str(len(pairs))
        if pairs:
            said += f", within {max(abs(found[f] - heard[h]) for h, f in pairs) * 1000.0:.1f} ms"
        planted = str(len(heard)) + (f" ({len(masked)} more masked)" if masked else "")
        wrong = [f"{n} {what}" for n, what in ((len(heard) - len(pairs), "missed"), (false, "false")) if n]
        rows.append((f"hits in {Path(facts[track].file).stem}", planted, said, ", ".join(wrong)))
    rows += _delays(made, plan) + _overheads(made, plan)
    turned = sorted({a.track for a in plan.alignments if a.applied and a.polarity < 0})
    known = {(a.track, a.target) for a in plan.alignments} & set(made.polarity)
    opposite = sorted({track for track, target in known if made.polarity[track, target] < 0})
    rows.append(("polarity turned", _names(opposite), _names(turned), "" if turned == opposite else DIFFERS))
    full = [f.track for f in plan.tracks if f.peak >= 0.9999]
    clipped = [str(t) for t in made.faults["clipped"]]
    rows.append(("at full scale", _names(clipped), _names(full), "" if full == clipped else DIFFERS))
    return rows


def _matched(planted: Sequence[float], found: Sequence[float]) -> list[tuple[int, int]]:
    """Pair times that meet, each at most once, in order."""
    i = k = 0
    pairs = []
    while i < len(planted) and k < len(found):
        distance = found[k] - planted[i]
        if abs(distance) <= MATCH_S:
            pairs.append((i, k))
            i, k = i + 1, k + 1
        elif distance < 0:
            k += 1
        else:
            i += 1
    return pairs


def _delays(made: MadeTake, plan: Plan) -> list[Row]:
    errors: dict[bool, list[float]] = {True: [], False: []}
    for a in plan.alignments:
        if (a.track, a.target) in made.delays:
            errors[a.confidence == "sure"].append(abs(a.measured_samples - made.delays[a.track, a.target]))
    sure = errors[True]
    if not sure:
        return []
    ms = [
        made.delays[a.track, a.target] / plan.sr * 1000.0 for a in plan.alignments if (a.track, a.target) in made.delays
    ]
    said = f"{len(sure)} sure, within {max(sure) / plan.sr * 1000.0:.3f} ms"
    if errors[False]:
        said += f"; {len(errors[False])} not sure"
    return [
        (
            f"delays of {len(ms)} close mics",
            f"{min(ms):.1f} to {max(ms):.1f} ms",
            said,
            "" if max(sure) <= 1.0 else "over a sample off",
        )
    ]


def _overheads(made: MadeTake, plan: Plan) -> list[Row]:
    found = plan.figures.get("align", {}).get("snare_mismatch")
    if not found:
        return []
    cm, sure_to = float(found["cm"]), float(found["uncertainty_cm"])
    said = f"{cm:.1f} ± {sure_to:.1f} cm"
    differs = "" if abs(cm - made.mismatch_cm) <= sure_to else DIFFERS
    return [("right overhead farther from the snare", f"{made.mismatch_cm:.1f} cm", said, differs)]


def _names(tracks: Sequence[Any]) -> str:
    return ", ".join(Path(str(t)).stem for t in tracks) or "none"


def _table(rows: Sequence[Row], take_folder: Path, out: Path) -> None:
    from rich.table import Table
    from rich.text import Text

    from spillgate.cli.screen import console

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for column in ("", "planted", "found", ""):
        table.add_column(column, max_width=19 if column == "planted" else None)
    for what, planted, found, differs in rows:
        table.add_row(Text(what), Text(planted), Text(found), Text(differs or "ok"))
    screen = console()
    screen.print()
    screen.print(table)
    screen.print()
    screen.print(Text(f"Listen to {take_folder} and then to {out / 'stems'}."), soft_wrap=True)
