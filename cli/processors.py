"""``spillgate processors``: what is installed and which parameters it has."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from typing import Any

import click

from spillgate.cli.options import common
from spillgate.dsp import params, registry

__all__ = ["command", "parameter_rows"]


@click.command(
    short_help="What is installed; with a name its parameters.",
    epilog="\b\nExample:\n  spillgate processors gate\n",
)
@click.argument("name", required=False)
@common("json", "debug")
def command(name: str | None, as_json: bool, debug: bool) -> None:
    """List the installed processors, or the parameters of one of them.

    Every parameter is an option of spillgate run behind the processor's name,
    a key in chain files, and can be set for a single track with --set.
    """
    if name is None:
        _list(as_json)
    else:
        _show(name, as_json)


def _list(as_json: bool) -> None:
    rows = [(entry, registry.summary(entry)) for entry in registry.listing().values()]
    if as_json:
        click.echo(json.dumps([{**dataclasses.asdict(e), "summary": s} for e, s in rows], indent=2))
        return
    _table(
        ("processor", "from", "what it does"),
        [(e.name, f"{e.distribution} {e.version}".strip(), summary) for e, summary in rows],
    )
    click.echo("\nspillgate processors NAME shows the parameters of one.")


def parameter_rows(cls: type[Any]) -> list[tuple[str, str, str, str]]:
    """Give option, allowed values, default and meaning of each parameter of a processor, as text."""
    rows = []
    for p in params.parameters(cls):
        option = "--" + p.name.replace("_", "-")
        if p.type is bool:
            option = "--[no-]" + p.name.replace("_", "-")
        allowed = "" if p.type is bool else p.allowed
        default: Any = "must be given"
        if p.default is not dataclasses.MISSING:
            default = p.said(p.default) if p.type is not bool else "yes" if p.default else "no"
        text = p.help
        if p.optional and p.off == "off" and p.constraint.none != "off":
            text += f" (off: {p.constraint.none})"
        rows.append((option, allowed, f"{default:g}" if isinstance(default, float) else str(default), text))
    return rows


def _show(name: str, as_json: bool) -> None:
    cls = registry.get_processor(name)
    entry = registry.owner("processor", name)
    rows = parameter_rows(cls)
    if as_json:
        keys = ("option", "allowed", "default", "help")
        parameters = [{"name": p.name, **dict(zip(keys, r, strict=True))} for p, r in
                      zip(params.parameters(cls), rows, strict=True)]  # fmt: skip
        head = {"name": name, "summary": cls.summary, "distribution": entry.distribution, "version": entry.version}
        needs = {"needs": sorted(cls.needs), "gives": sorted(cls.gives)}
        click.echo(json.dumps({**head, **needs, "parameters": parameters}, indent=2))
        return
    from rich.text import Text

    from spillgate.cli.screen import console

    console().print(Text(f"{name} ({entry.distribution} {entry.version}): {cls.summary}"))
    words = [
        f"{word} {', '.join(sorted(values))}" for word, values in (("needs", cls.needs), ("gives", cls.gives)) if values
    ]
    if words:
        click.echo("It " + " and ".join(words) + ".")
    if not rows:
        click.echo("It has no parameters.")
        return
    click.echo()
    _table(("option", "allowed", "default", "meaning"), rows)
    first = params.parameters(cls)[0]
    value = "yes" if first.type is bool else rows[0][2]
    option = "--" + first.name.replace("_", "-") + ("" if first.type is bool else f" {value}")
    click.echo(f"\nFor all tracks: spillgate run TAKE -o OUT {' '.join([*registry.needed(cls), name])} {option}")
    click.echo(f'For one track add: --set "TRACK:{name}.{first.name}={value}"')


def _table(columns: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> None:
    from rich.table import Table
    from rich.text import Text

    from spillgate.cli.screen import console

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for column in columns:
        table.add_column(column, no_wrap=column in (columns[0], "default"))
    for row in rows:
        table.add_row(*map(Text, row))
    console().print(table)
