"""Many takes: found in a tree, each a task that any process can do, done ones recognised."""

from __future__ import annotations

import json
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spillgate.dsp.errors import DspError, TakeError

if TYPE_CHECKING:
    from spillgate.dsp.chain import Chain
    from spillgate.dsp.plan.model import Plan
    from spillgate.dsp.plan.output import Output

__all__ = ["INPUT_LIST", "Outcome", "Task", "find_takes", "one_take", "places", "tasks_of"]

INPUT_LIST = "input-list.toml"
"""An input list of this name in a take's own folder is used for it."""

BUSY_S = 900.0
"""So long a take waits for another process that is writing to its output: a worker that was given up for lost, or the
same batch started twice."""


@dataclass(frozen=True)
class Task:
    """One take to do.

    Attributes
    ----------
    name : str
        Folder re the tree, with forward slashes.
    folder, out : str
    chain : dict
        As `Chain.to_dict` gives.
    stems : dict
        As `Output.to_dict` gives.
    place : str
        Its output's folder re that of all outputs.
    version : str
        Of the program that asks; another one does not do the task. Empty: any.
    workers : int
        Threads inside the take.
    """

    name: str
    folder: str
    out: str
    chain: Mapping[str, Any]
    stems: Mapping[str, Any] = field(default_factory=dict)
    place: str = ""
    version: str = ""
    workers: int = 1


@dataclass(frozen=True)
class Outcome:
    """What became of one take.

    Attributes
    ----------
    take : str
    state : {'done', 'had been done', 'failed'}
    seconds : float
        Length of the take.
    tracks, hits, questions : int
    loudest_question : float
        Weight of the question that matters most.
    verdict : str
        In a few words, or the error.
    output : str
        Its folder re that of all outputs.
    """

    take: str
    state: str
    seconds: float = 0.0
    tracks: int = 0
    hits: int = 0
    questions: int = 0
    loudest_question: float = 0.0
    verdict: str = ""
    output: str = ""


def find_takes(tree: Path) -> list[str]:
    """List the folders of a tree that hold recordings themselves.

    Parameters
    ----------
    tree : Path
        Hidden folders and outputs of earlier runs are passed over.

    Returns
    -------
    names : list of str
        Relative to `tree`, sorted; ``"."`` if it is a take itself.

    Raises
    ------
    TakeError
        If there is none.
    """
    from spillgate.dsp.take.audio import SUFFIXES

    found = []
    todo = [tree]
    while todo:
        folder = todo.pop()
        if (folder / "plan.json").is_file():
            continue
        try:
            entries = sorted(folder.iterdir())
        except OSError as error:
            raise TakeError(f"{folder}: {error.strerror}; make it readable or leave it out") from error
        todo += [e for e in entries if e.is_dir() and not e.is_symlink() and not e.name.startswith(".")]
        if any(e.is_file() and e.suffix.lower() in SUFFIXES and not e.name.startswith(".") for e in entries):
            found.append(folder.relative_to(tree).as_posix())
    if not found:
        raise TakeError(f"{tree}: holds no folder with recordings; name the folder above the takes")
    return sorted(found)


def places(names: Sequence[str], tree: str) -> dict[str, str]:
    """Say where the output of each take goes.

    Parameters
    ----------
    names : sequence of str
        As `find_takes` gives.
    tree : str
        Name of the tree's folder, for a tree that is a take itself.

    Returns
    -------
    places : dict of str to str
        Relative to the folder of all outputs: as in the tree, but takes inside the folder of another take go beside it,
        as outputs must not lie in one another.
    """
    found: dict[str, str] = {}
    for name in sorted(names, key=lambda n: (n != ".", n)):
        above = next((n for n in names if n != name and (n == "." or name.startswith(f"{n}/"))), None)
        if name == ".":
            place = tree
        elif above is None:
            place = name
        else:
            below = name if above == "." else name[len(above) + 1 :]
            place = f"{tree if above == '.' else above} - {below.replace('/', ' - ')}"
        while place in found.values() or (place in names and place != name):
            place += "_"
        found[name] = place
    return found


def tasks_of(tree: Path, out: Path, chain: Chain, output: Output) -> list[Task]:
    """List what is to be done in a tree.

    Raises
    ------
    TakeError
        If there is nothing.
    """
    names = find_takes(tree)
    where = places(names, tree.resolve().name or "take")
    chosen, stems, program = chain.to_dict(), output.to_dict(), version("spillgate")
    # whole paths: workers of a cluster stand elsewhere
    home, target = tree.absolute(), out.absolute()
    return [Task(n, str(home / n), str(target / where[n]), chosen, stems, where[n], program) for n in names]


def one_take(task: Task) -> Outcome:
    """Do one take, or recognise that it has been done; never raises for a bad take.

    Notes
    -----
    A take has been done if its output's plan was made by the same versions with the same chain from the same bytes.
    Doing a take again gives the same bytes, so a task may be run twice.
    """
    from spillgate.cli.output import BusyError
    from spillgate.dsp.plan import store

    try:
        until = time.monotonic() + BUSY_S
        while True:
            try:
                state = _made(task)
                break
            except BusyError:
                if time.monotonic() > until:
                    raise
                time.sleep(1.0)
        plan = store.load(Path(task.out))
    except (DspError, OSError) as error:
        return Outcome(task.name, "failed", verdict=str(error), output=task.place)
    except Exception as error:  # one bad take never stops the others
        text = f"fault of the program: {type(error).__name__}: {error}"
        return Outcome(task.name, "failed", verdict=text, output=task.place)
    from spillgate.dsp.plan.questions import groups, verdict

    return Outcome(
        task.name,
        state,
        seconds=plan.n_samples / plan.sr,
        tracks=sum(t.role != "other" for t in plan.tracks),
        hits=len(plan.hits),
        questions=len(groups(plan.questions)),  # as many as screen and page of the take show
        loudest_question=max((q.weight for q in plan.questions), default=0.0),
        verdict=verdict(plan),
        output=task.place,
    )


def _made(task: Task) -> str:
    """Do a take unless it has been done, and say which."""
    from spillgate.cli.job import main_job
    from spillgate.dsp.chain import Chain
    from spillgate.dsp.plan.output import Output

    if task.version and task.version != version("spillgate"):
        raise DspError(f"this worker has version {version('spillgate')}, the batch {task.version}; install the same")
    folder, out = Path(task.folder), Path(task.out)
    chain, output = Chain.from_dict(task.chain), Output.from_dict(task.stems)
    if _done(folder, out, chain, output):
        return "had been done"
    inputs = folder / INPUT_LIST
    main_job(
        folder,
        out,
        chain,
        inputs=inputs if inputs.is_file() else None,
        workers=task.workers,
        overwrite=(out / "plan.json").is_file(),
        quiet=True,
        output=output,
    )
    return "done"


def _done(folder: Path, out: Path, chain: Chain, output: Output) -> bool:
    from spillgate.cli.job import laid_over
    from spillgate.cli.output import settle
    from spillgate.dsp.plan import store
    from spillgate.dsp.plan.output import output_of

    settle(out)
    if not (out / "plan.json").is_file() or not (out / "report.html").is_file():
        return False
    try:
        plan = store.load(out)
        source = json.loads((out / "source.json").read_text("utf-8"))
    except (DspError, OSError, ValueError, RecursionError):
        return False
    inputs = folder / INPUT_LIST
    stated = {"take": str(folder.resolve()), "laid": laid_over(out, inputs), "version": version("spillgate")}
    if not isinstance(source, dict) or any(source.get(k) != v for k, v in stated.items()):
        return False
    if not _asked_the_same(plan, chain) or output_of(plan) != output:
        return False
    return _still_there(folder, out, plan)


def _asked_the_same(plan: Plan, chain: Chain) -> bool:
    """Whether a plan was made by the same versions of the same processors with the same parameters."""
    from spillgate.dsp import registry

    listed = registry.listing()
    if any(e.get("version") != listed[e["processor"]].version for e in plan.chain if e["processor"] in listed):
        return False
    try:
        return type(chain).asked_by(plan).to_dict() == chain.to_dict()
    except DspError:
        return False


def _still_there(folder: Path, out: Path, plan: Plan) -> bool:
    """Whether the recordings are the same bytes, and everything that was written is there."""
    from spillgate.cli.desk import spoiled_files
    from spillgate.dsp.take.features import fingerprints
    from spillgate.dsp.take.opening import open_take

    inputs = folder / INPUT_LIST
    take = open_take(folder, inputs=inputs if inputs.is_file() else None)
    known = {t.file: t.fingerprint for t in plan.tracks if t.fingerprint}
    return dict(fingerprints(take)) == known and not spoiled_files(out, plan)
