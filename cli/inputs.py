"""``spillgate inputs``: which track is which mic, as far as names and sound tell; to correct and pass back."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from spillgate.cli.options import common

if TYPE_CHECKING:
    from spillgate.dsp.errors import DspError
    from spillgate.dsp.take.model import Take, Track

__all__ = ["command"]


@click.command(
    short_help="The guessed input list, to correct and pass back.",
    epilog="\b\nExample:\n  spillgate inputs TAKE > input-list.toml\n"
    "  spillgate run TAKE -o OUT --inputs input-list.toml\n",
)
@click.argument("take", type=click.Path(path_type=Path))
@common("inputs", "json", "quiet", "debug")
def command(take: Path, inputs: Path | None, as_json: bool, quiet: bool, debug: bool) -> None:
    """Print the input list of TAKE: which track is which mic.

    Roles are guessed from the names, and from the sound where names leave
    doubt. The list is TOML on the standard output; the guesses and what is
    doubtful about them are shown on the terminal. The same file serves as a
    recall sheet: mics, distances and notes are kept.

    With --inputs the guesses are laid under that list, and it is printed with
    its comments, brought up to date with the tracks of TAKE.
    """
    from spillgate.dsp.take.inputwriting import to_toml, update
    from spillgate.dsp.take.opening import open_take

    unfit: dict[str, DspError] = {}
    opened = open_take(take, inputs=inputs, unfit=unfit)
    if as_json:
        click.echo(json.dumps(_plain(opened, unfit), indent=2, ensure_ascii=False))
    elif inputs is not None:
        text = update(inputs.read_text("utf-8-sig"), opened.tracks)
        click.echo("".join(f"{line}\n" for line in _remark(opened, unfit) if line not in text) + text, nl=False)
    else:
        text = to_toml(opened.tracks, opened.view, opened.layout)
        click.echo("".join(f"{line}\n" for line in _remark(opened, unfit)) + text, nl=False)
    if not quiet:
        _tell(opened.tracks, table=not as_json and not sys.stdout.isatty())
        for error in unfit.values():
            click.echo(_printable(f"Cannot be used: {error}"), err=True)


def _remark(take: Take, unfit: Mapping[str, DspError]) -> list[str]:
    """Comments above the list: what cannot be used, and the line that leaves it out."""
    if not unfit:
        return []
    names = json.dumps([*take.left_out, *(e.file for e in unfit.values() if e.file)], ensure_ascii=False)
    instead = ", in place of the one below" if take.left_out else ""
    said = (
        "These files cannot be used, and as long as they are there nothing is done:",
        *(f"  {error}" for error in unfit.values()),
        f"Mend them, or go on without them by taking away the # before the next line{instead}:",
        f"leave_out = {names}",
        "",
    )
    return [_printable(f"# {line}".rstrip()) for line in said]


def _printable(text: str) -> str:
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


def _plain(take: Take, unfit: Mapping[str, DspError]) -> dict[str, Any]:
    """Give everything the list says, for scripts."""
    from spillgate.dsp.take.inputwriting import question

    return {
        "take": take.name,
        "view": take.view,
        "layout": take.layout,
        "left_out": list(take.left_out),
        "unfit": {name: str(error) for name, error in unfit.items()},
        "tracks": [
            {
                "track": t.id,
                "file": t.file.name,
                "channel": t.channel,
                "role": t.role,
                "drum": t.drum,
                "position": t.position,
                "target": t.target,
                "question": question(t) if t.doubt else None,
                **{k: v for k, v in (("intended", list(t.intended)), ("recall", dict(t.recall))) if v},
            }
            for t in take.tracks
        ],
    }


def _tell(tracks: Sequence[Track], table: bool) -> None:
    """Show guesses and questions beside the list, which went somewhere else."""
    from rich.table import Table
    from rich.text import Text

    from spillgate.cli.screen import console
    from spillgate.dsp.take.inputwriting import question

    screen = console(stderr=True)
    if table:
        grid = Table.grid(padding=(0, 2))
        grid.add_column(no_wrap=True, max_width=36, overflow="ellipsis")
        grid.add_column(no_wrap=True)
        grid.add_column(no_wrap=True)
        for t in tracks:
            what = "no drum" if t.role == "other" else " ".join(w for w in (_what(t), t.position) if w)
            grid.add_row(Text(t.label), Text(what), Text("?" if t.doubt else ""))
        screen.print(grid)
    asked = [t for t in tracks if t.doubt]
    if asked:
        screen.print()
        screen.print(Text("Is this right?", style="bold"))
        for t in asked:
            screen.print(Text(f"  {t.label}: {question(t)}"))
        screen.print(Text("Correct the list where it is not, and pass it back with --inputs."))


def _what(track: Track) -> str:
    if track.role == "trigger":
        return f"{track.drum or ''} trigger".strip()
    return track.drum or track.role
