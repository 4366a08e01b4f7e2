"""Options that several commands share, and words of the command line turned into a chain."""

from __future__ import annotations

import functools
import os
import re
import shlex
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from spillgate.dsp import params, registry
from spillgate.dsp.errors import DspError, ParameterError, nearest

if TYPE_CHECKING:
    from spillgate.dsp.chain import Chain

__all__ = [
    "between",
    "build_chain",
    "chain_toml",
    "chosen_chain",
    "common",
    "default_workers",
    "read_chain",
    "split_words",
    "stem_options",
]

MOST_WORKERS = 4
"""More threads than this gain nothing: reading the disk and the memory bus are the limit (design decision)."""

F = TypeVar("F", bound=Callable[..., Any])

Part = tuple[str, dict[str, str]]
"""A processor's name and its options as written."""

SET = re.compile(r"(?P<track>.+):(?P<processor>[\w-]+)\.(?P<parameter>[\w-]+)=(?P<value>.*)", re.DOTALL)


def default_workers() -> int:
    """Cores this process may use, at most four."""
    usable = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(usable, MOST_WORKERS)


def between(low: float, high: float) -> Callable[[click.Context, click.Parameter, Any], Any]:
    """Give a callback that refuses numbers outside a range (click's own ranges clutter the help)."""

    def check(context: click.Context, parameter: click.Parameter, value: Any) -> Any:
        if value is not None and not low <= value <= high:
            raise click.UsageError(f"{parameter.opts[-1]} {value:g}: must be {low:g} to {high:g}", context)
        return value

    return check


def common(*names: str) -> Callable[[F], F]:
    """Add shared options to a command, in the order of the names."""
    made: dict[str, Callable[[F], F]] = {
        "inputs": click.option(
            "--inputs",
            metavar="FILE",
            type=click.Path(path_type=Path),
            help="Corrected input list, see spillgate inputs.",
        ),
        "chain": click.option(
            "--chain",
            "chain_file",
            metavar="FILE",
            type=click.Path(path_type=Path),
            help="Processors and parameters from a TOML file.",
        ),
        "set": click.option(
            "--set", "settings", metavar='"TRACK:proc.param=value"', multiple=True, help="For one track; repeatable."
        ),
        "workers": click.option(
            "--workers",
            metavar="N",
            type=int,
            callback=between(1, 64),
            help=f"Threads; default: the cores, at most {MOST_WORKERS}.",
        ),
        "overwrite": click.option("--overwrite", is_flag=True, help="Replace an earlier output in OUT."),
        "json": click.option("--json", "as_json", is_flag=True, help="Print a summary for scripts instead."),
        "quiet": click.option("--quiet", is_flag=True, help="Print nothing but errors."),
        "debug": click.option("--debug", is_flag=True, help="Show where an error came from."),
    }

    def add(func: F) -> F:
        for name in reversed(names):
            func = made[name](func)
        return func

    return add


STEMS_EXAMPLE = """Example:
  spillgate {} --format flac --subtype 24 --removed"""

USAGE = {"run": 'run "Song 3" -o "Song 3 clean"', "batch": 'batch Album -o "Album clean"'}
"""Commands that write stems, as examples show them."""

STEMS = ("format", "subtype", "suffix", "markers", "removed", "split", "changed_only", "new_umid")
"""Names of those options, as `Output` has them."""


def stem_options(func: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that say how stems are handed over; help shows them behind ``--help-stems`` only.

    The command gets them as one mapping, `stems`: what `Output` is made from.
    """

    def option(*names: str, **how: Any) -> Callable[[F], F]:
        return click.option(*names, hidden=True, **how)

    made = (
        option("--format", metavar="NAME", default="", help="FORMATS; as the input."),
        option("--subtype", metavar="NAME", default="", help="Samples: SUBTYPES; as the input."),
        option("--suffix", metavar="TEXT", default="", help="Put behind each stem's name."),
        option("--markers", metavar="WHAT", default="", help="Write markers into WAV stems: MARKERS."),
        option("--removed", is_flag=True, help="Also write what was taken out: stem + removed = recording."),
        option("--split", is_flag=True, help="Give files of several channels back as single tracks."),
        option("--changed-only", is_flag=True, help="Leave out files with nothing to do."),
        option("--new-umid", is_flag=True, help="Give changed audio a new UMID (WAV with bext)."),
    )

    @functools.wraps(func)
    def gathered(**values: Any) -> Any:
        return func(**{k: v for k, v in values.items() if k not in STEMS}, stems={k: values[k] for k in STEMS})

    command: Callable[..., Any] = gathered
    for add in reversed(made):
        command = add(command)
    return click.option(
        "--help-stems", is_flag=True, is_eager=True, expose_value=False, hidden=True, callback=_stems_help
    )(command)


def _stems_help(context: click.Context, parameter: click.Parameter, value: bool) -> None:
    if not value:
        return
    from spillgate.dsp.plan import output  # not for the plain help, which must be quick

    maker = context.make_formatter()
    maker.write("How stems are handed over; by default as the recordings came.\n")
    rows = []
    for p in context.command.params:
        if isinstance(p, click.Option) and p.hidden and p is not parameter:
            p.hidden = False
            name, text = p.get_help_record(context) or ("", "")
            p.hidden = True
            for word in ("FORMATS", "SUBTYPES", "MARKERS"):
                text = text.replace(word, ", ".join(getattr(output, word)))
            rows.append((name, text))
    with maker.section(f"Options for {context.info_name}"):
        maker.write_dl(rows)
    click.echo(maker.getvalue() + "\n" + STEMS_EXAMPLE.format(USAGE[str(context.info_name)]))
    context.exit()


def split_words(words: Sequence[str], usage: str = "run TAKE") -> tuple[str | None, list[Part]]:
    """Take the free words of ``run`` and ``batch`` apart.

    Parameters
    ----------
    words : sequence of str
        ``TAKE [PROCESSOR [OPTIONS]]...``
    usage : str
        Command and its first word, for messages.

    Returns
    -------
    take : str or None
    parts : list of (str, dict)
        Processors in order, each with its options as text; not yet looked up.

    Raises
    ------
    click.UsageError
        For words in the wrong order.
    """
    rest = list(words)
    take: str | None = None
    if rest and rest[0].startswith("--"):
        raise click.UsageError(_misplaced(rest, usage))
    if rest:
        first = rest[0]
        if first in registry.listing() and not Path(first).is_dir():
            command, what = usage.split()
            text = f"{first}: is a processor, but the {what.lower()} comes first"
            before = registry.needed(registry.get_processor(first)) if first in registry.PROCESSORS else []
            raise click.UsageError(f"{text}: spillgate {command} {what} -o OUT {' '.join([*before, first])} …")
        take = rest.pop(0)
    parts: list[Part] = []
    while rest:
        word = rest.pop(0)
        if not word.startswith("--"):
            parts.append((word, {}))
            continue
        if not parts:
            raise click.UsageError(_misplaced([word, *rest], f"{usage.split()[0]} {shlex.quote(str(take))}"))
        name, equals, value = word[2:].partition("=")
        parameter, negated = _find(parts[-1][0], name)
        if parameter.type is bool and not equals:
            value = "false" if negated else "true"
        elif negated:
            raise click.UsageError(f"{parts[-1][0]}: --{name} takes no value; write --{name} or --{name[3:]}")
        elif not equals:
            if not rest:
                raise click.UsageError(f"{parts[-1][0]}: --{name} needs a value: {parameter.allowed}")
            value = rest.pop(0)
        parts[-1][1][parameter.name] = value
    return take, parts


def _misplaced(words: Sequence[str], usage: str) -> str:
    """Say where an option belongs, as the whole command that is right."""
    word = words[0]
    name = word[2:].partition("=")[0].replace("-", "_")
    owners = [p for p in registry.PROCESSORS if {name, name.removeprefix("no_")} & {d.name for d in _declared(p)}]
    if not owners:
        return f"{word}: no such option; see spillgate {usage.split()[0]} --help and spillgate processors NAME"
    owner = owners[0]  # the first that has it: the main job's come first
    parameter, _ = _find(owner, word[2:].partition("=")[0])
    said = [word]
    if parameter.type is not bool and "=" not in word:
        said.append(words[1] if len(words) > 1 else "VALUE")
    chain = main_job() if owner in main_job() else [*registry.needed(registry.get_processor(owner)), owner]
    chain.insert(chain.index(owner) + 1, " ".join(said))
    return f"{word}: belongs behind its processor, {owner}: spillgate {usage} -o OUT {' '.join(chain)}"


def main_job() -> list[str]:
    """Name the processors that a run without any has."""
    from spillgate.dsp.chain import DEFAULT

    return list(DEFAULT)


def _declared(processor: str) -> tuple[params.Parameter, ...]:
    return params.parameters(registry.get_processor(processor))


def _find(processor: str, option: str) -> tuple[params.Parameter, bool]:
    """Find the parameter an option means, and whether it is the ``no-`` form of a flag."""
    known = {p.name: p for p in _declared(processor)}
    name = option.replace("-", "_")
    if name in known:
        return known[name], False
    positive = name.removeprefix("no_")
    if positive != name and positive in known and known[positive].type is bool:
        return known[positive], True
    options = [n.replace("_", "-") for n in known]
    raise click.UsageError(f"{processor}: no such option --{option}; {nearest(option, options)}")


def chosen_chain(parts: Sequence[Part], settings: Iterable[str], chain_file: Path | None) -> Chain:
    """Build the chain from the words of the command line or from a chain file.

    Raises
    ------
    click.UsageError
        If both name processors.
    ParameterError, ChainError, PluginError
        As `build_chain`.
    """
    if chain_file is not None and parts:
        raise click.UsageError(f"--chain {chain_file}: already names the processors; leave out {parts[0][0]}")
    return build_chain(parts, settings, read_chain(chain_file) if chain_file else None)


def build_chain(parts: Iterable[Part], settings: Iterable[str], base: Mapping[str, Any] | None = None) -> Chain:
    """Build the chain from words of the command line.

    Parameters
    ----------
    parts : iterable of (str, dict)
        As `split_words` gives them; none: `base`, or the processors of the main job.
    settings : iterable of str
        ``"TRACK:processor.parameter=value"``.
    base : mapping, optional
        Content of a chain file.

    Returns
    -------
    chain : Chain

    Raises
    ------
    ParameterError, ChainError, PluginError
    """
    from spillgate.dsp.chain import DEFAULT, Chain

    if base is not None:
        entries = Chain.from_dict(base).to_dict()["chain"]
    else:
        chosen = list(parts) or [(name, {}) for name in DEFAULT]
        entries = []
        for name, options in chosen:
            known = {p.name: p for p in _declared(name)}
            values = {k: params.parse(known[k], v, f"{name}.") for k, v in options.items()}
            entries.append({"processor": name, "params": values})
    by_name = {e["processor"]: e for e in entries}
    for setting in settings:
        track, name, parameter, text = _setting(setting)
        if name not in by_name:
            where = f"--set {setting}"
            raise ParameterError(f"{where}: '{name}' is not in the chain; {nearest(name, by_name)}")
        declared = {p.name: p for p in _declared(name)}
        if parameter not in declared:
            raise ParameterError(f"{track}:{name}: unknown parameter '{parameter}'; {nearest(parameter, declared)}")
        value = params.parse(declared[parameter], text, f"{track}:{name}.")
        by_name[name].setdefault("tracks", {}).setdefault(track, {})[parameter] = value
    return Chain.from_dict({"chain": entries})


def _setting(text: str) -> tuple[str, str, str, str]:
    found = SET.fullmatch(text)
    if found is None:
        example = '--set "Floor.wav:gate.floor_db=-18"'
        raise ParameterError(f"--set {text}: should be TRACK:processor.parameter=value, e.g. {example}")
    track, name, parameter, value = found.group("track", "processor", "parameter", "value")
    return track, name, parameter.replace("-", "_"), value


def read_chain(path: Path) -> dict[str, Any]:
    """Read a chain file.

    Raises
    ------
    ParameterError
        If it cannot be read, is no TOML or no chain; the message names the file.
    """
    from spillgate.dsp import reading

    try:
        entry = reading.from_toml(reading.read_text(path))
    except OSError as error:
        raise ParameterError(f"{path}: {error.strerror}; write one with --print-chain") from error
    except ValueError as error:
        raise ParameterError(f"{path}: is no TOML ({error}); write one with --print-chain") from error
    from spillgate.dsp.chain import Chain

    try:
        Chain.from_dict(entry)
    except DspError as error:
        raise type(error)(f"{path}: {error}") from error
    return entry


def chain_toml(chain: Chain) -> str:
    """Write a chain as TOML that `read_chain` understands."""
    import tomlkit

    document = tomlkit.document()
    document.add("schema", tomlkit.item(chain.to_dict()["schema"]))
    array = tomlkit.aot()
    for entry in chain.to_dict()["chain"]:
        table = tomlkit.table()
        table.add("processor", entry["processor"])
        table.add("params", _table(entry["processor"], entry["params"]))
        for track, values in entry.get("tracks", {}).items():
            table.setdefault("tracks", tomlkit.table()).add(track, _table(entry["processor"], values))
        array.append(table)
    document.add("chain", array)
    return tomlkit.dumps(document)


def _table(processor: str, values: Mapping[str, Any]) -> Any:
    import tomlkit

    table = tomlkit.table()
    for key, value in values.items():
        table.add(key, registry.said(processor, key, value))
    return table
