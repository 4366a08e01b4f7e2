"""Many takes: found in a tree, done one by one in processes of their own, done ones recognised, results summed up."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any, Protocol

from spillgate.dsp.errors import DspError, TakeError

__all__ = ["INPUT_LIST", "Outcome", "Task", "find_takes", "local", "on_cluster", "one_take", "overview", "table"]

INPUT_LIST = "input-list.toml"
"""An input list of this name in a take's own folder is used for it."""

TRIES = 2
"""A take whose process dies is done once more, alone, before it counts as failed."""


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
    workers : int
        Threads inside the take.
    """

    name: str
    folder: str
    out: str
    chain: Mapping[str, Any]
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
        First line of the screen, or the error.
    """

    take: str
    state: str
    seconds: float = 0.0
    tracks: int = 0
    hits: int = 0
    questions: int = 0
    loudest_question: float = 0.0
    verdict: str = ""


class Submit(Protocol):
    """Runs tasks somewhere and yields their outcomes as they come."""

    def __call__(self, tasks: Sequence[Task]) -> Iterator[Outcome]:
        """Yield one outcome per task, in any order."""


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


def one_take(task: Task) -> Outcome:
    """Do one take, or recognise that it has been done; never raises for a bad take.

    Notes
    -----
    A take has been done if its output's plan was made by the same versions with the same chain from the same bytes.
    Doing a take again gives the same bytes, so a task may be run twice.
    """
    from spillgate.cli.job import main_job
    from spillgate.dsp.chain import Chain
    from spillgate.dsp.plan import store

    folder, out = Path(task.folder), Path(task.out)
    chain = Chain.from_dict(task.chain)
    try:
        state = "had been done"
        if not _done(folder, out, chain):
            inputs = folder / INPUT_LIST
            main_job(
                folder,
                out,
                chain,
                inputs=inputs if inputs.is_file() else None,
                workers=task.workers,
                overwrite=(out / "plan.json").is_file(),
                quiet=True,
            )
            state = "done"
        plan = store.load(out)
    except (DspError, OSError) as error:
        return Outcome(task.name, "failed", verdict=str(error))
    except Exception as error:  # one bad take never stops the others
        return Outcome(task.name, "failed", verdict=f"fault of the program: {type(error).__name__}: {error}")
    weights = [q.weight for q in plan.questions]
    drums = [t for t in plan.tracks if t.role != "other"]
    return Outcome(
        task.name,
        state,
        seconds=plan.n_samples / plan.sr,
        tracks=len(drums),
        hits=len(plan.hits),
        questions=len(weights),
        loudest_question=max(weights, default=0.0),
        verdict="ready" if not weights else "ready, with questions",
    )


def _done(folder: Path, out: Path, chain: Any) -> bool:
    from spillgate.cli.job import laid_over
    from spillgate.cli.output import settle
    from spillgate.dsp import registry
    from spillgate.dsp.plan import store
    from spillgate.dsp.take.features import fingerprints
    from spillgate.dsp.take.opening import open_take

    settle(out)
    if not (out / "plan.json").is_file() or not (out / "report.html").is_file():
        return False
    try:
        plan = store.load(out)
        source = json.loads((out / "source.json").read_text("utf-8"))
    except (DspError, OSError, ValueError, RecursionError):
        return False
    if not isinstance(source, dict):
        return False
    inputs = folder / INPUT_LIST
    laid = laid_over(out, inputs)
    listed = registry.listing()
    wanted = [{**p.to_dict(), "version": listed[p.name].version} for p in chain.processors]
    if json.dumps(wanted, sort_keys=True) != json.dumps([dict(e) for e in plan.chain], sort_keys=True, default=dict):
        return False
    if source.get("take") != str(folder.resolve()) or source.get("laid") != laid:
        return False
    take = open_take(folder, inputs=inputs if inputs.is_file() else None)
    known = {t.file: t.fingerprint for t in plan.tracks if t.fingerprint}
    return dict(fingerprints(take)) == known and all((out / "stems" / name).is_file() for name in known)


def local(processes: int) -> Submit:
    """Run tasks in processes on this machine.

    A process that dies takes down the takes that were in work; each of them is done again alone, so that the one that
    kills its process is found and the others are done.
    """

    def submit(tasks: Sequence[Task]) -> Iterator[Outcome]:
        left = list(tasks)
        alone = False
        tries: dict[str, int] = {}
        while left:
            again: list[Task] = []
            width = 1 if alone else processes
            batch = left[:1] if alone else left
            left = left[1:] if alone else []
            with ProcessPoolExecutor(width, mp_context=_spawn(), initializer=_end_with_parent) as pool:
                futures: dict[Future[Outcome], Task] = {pool.submit(one_take, t): t for t in batch}
                for future in as_completed(futures):
                    task = futures[future]
                    try:
                        yield future.result()
                    except BrokenProcessPool:
                        tries[task.name] = tries.get(task.name, 0) + (1 if alone else 0)
                        if tries[task.name] >= TRIES:
                            yield Outcome(task.name, "failed", verdict="its process was killed (out of memory?)")
                        else:
                            again.append(task)
            left = again + left
            alone = bool(left)

    return submit


def _end_with_parent() -> None:
    """End this process when the one that started it is gone: killed, it leaves nobody behind who waits for work."""
    import multiprocessing
    import os
    import threading

    parent = multiprocessing.parent_process()

    def watch() -> None:
        if parent is not None:
            parent.join()
            os._exit(1)  # what is being put in place is completed by the next one

    threading.Thread(target=watch, daemon=True).start()


def _spawn() -> Any:
    import multiprocessing

    return multiprocessing.get_context("spawn")  # no threads or open files of ours come along


def on_cluster(address: str) -> Submit:
    """Run tasks on a dask cluster whose workers see the same folders.

    Parameters
    ----------
    address : str
        Of the scheduler, ``tcp://host:port``.

    Raises
    ------
    DspError
        If the extra ``cluster`` is not installed or nothing answers there.
    """

    def submit(tasks: Sequence[Task]) -> Iterator[Outcome]:
        try:
            from dask.distributed import Client
            from dask.distributed import as_completed as completed
        except ImportError as error:
            raise DspError("--cluster: needs the extra: pip install 'spillgate[cluster]'") from error
        try:
            client = Client(address, timeout="10s")
        except (OSError, TimeoutError) as error:
            raise DspError(f"--cluster {address}: no scheduler answers there; start one, see the README") from error
        with client:
            # a lost worker's takes go to another one; the same take twice gives the same bytes
            futures = {client.submit(one_take, t, pure=False, retries=TRIES, key=f"take-{t.name}"): t for t in tasks}
            for future in completed(list(futures)):
                if future.status == "finished":
                    yield future.result()
                else:
                    task = futures[future]
                    yield Outcome(task.name, "failed", verdict=f"lost on the cluster: {future.exception()}")

    return submit


def ranked(outcomes: Sequence[Outcome]) -> list[Outcome]:
    """Order outcomes: failed first, then by the question that matters most, then by name."""
    return sorted(outcomes, key=lambda o: (o.state != "failed", -o.loudest_question, -o.questions, o.take))


def table(outcomes: Sequence[Outcome]) -> str:
    """Give the outcomes as CSV, sorted by take; the same whatever the order in which they came."""
    text = io.StringIO()
    names = [f.name for f in fields(Outcome) if f.name != "state"]
    writer = csv.DictWriter(text, ["take", "result", *names[1:]], lineterminator="\n")
    writer.writeheader()
    for o in sorted(outcomes, key=lambda o: o.take):
        row = asdict(o)
        result = "failed" if row.pop("state") == "failed" else "done"
        writer.writerow({**row, "result": result})
    return text.getvalue()


def overview(outcomes: Sequence[Outcome], css: str, escape: Callable[[str], str]) -> str:
    """Give the outcomes as a page with the worst first."""
    from urllib.parse import quote

    failed = sum(o.state == "failed" for o in outcomes)
    asked = sum(o.questions for o in outcomes)
    head = f"{len(outcomes)} takes: {failed} failed, {asked} questions"
    rows = []
    for o in ranked(outcomes):
        link = escape(quote("" if o.take == "." else o.take + "/") + "report.html")
        name = escape(o.take) if o.state == "failed" else f'<a href="{link}">{escape(o.take)}</a>'
        minutes, seconds = divmod(round(o.seconds), 60)
        numbers = "".join(
            f'<td class="n">{v}</td>' for v in (f"{minutes}:{seconds:02d}", o.tracks, o.hits, o.questions)
        )
        rows.append(f"<tr><td>{name}</td>{numbers}<td>{escape(o.verdict)}</td></tr>")
    columns = "".join(f'<th class="n" scope="col">{c}</th>' for c in ("length", "tracks", "hits", "questions"))
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{head}</title><style>{css}</style></head><body><main><h1>{head}</h1>"
        f'<table><thead><tr><th scope="col">Take</th>{columns}<th scope="col">What became of it</th></tr></thead>'
        f"<tbody>{''.join(rows)}</tbody></table></main></body></html>\n"
    )
