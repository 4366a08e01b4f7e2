"""An output folder opened again: decide with corrections, render what changed."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from spillgate.cli.job import laid_over, read_own, with_doubts, write_output
from spillgate.cli.output import fill, refuse_links, refuse_recordings, settle, stamps_of
from spillgate.cli.report import Pictures
from spillgate.dsp import reading
from spillgate.dsp.chain import ASKED, Chain, Memory, with_roles
from spillgate.dsp.errors import ParameterError, PlanError, nearest
from spillgate.dsp.plan import store
from spillgate.dsp.plan.corrections import Corrections
from spillgate.dsp.plan.cuts import markers_of
from spillgate.dsp.plan.model import Plan
from spillgate.dsp.plan.output import output_of, with_output
from spillgate.dsp.take.features import fingerprints
from spillgate.dsp.take.model import Progress, Take
from spillgate.dsp.take.opening import open_take
from spillgate.dsp.take.stamps import Stamps, stamps, unchanged

__all__ = ["Desk", "changed_files", "open_desk", "spoiled_files"]

TAKEN_BACK = "without"
"""Figures of a plan that say which processors were taken back."""

COARSE_NS = 2_000_000_000
"""Time stamps nearer than this are the same: FAT keeps them to two seconds (Microsoft's FAT specification 1.03)."""


@dataclass
class Desk:
    """One output folder and the take it was made from.

    Attributes
    ----------
    out : Path
    take : Take
    plan : Plan
        As last rendered.
    chain : Chain
    memory : Memory
        What need not be measured or decided twice while the desk is open.
    pictures : Pictures
        What need not be drawn twice.
    stamps : mapping
        Sizes and time stamps of the recordings when they were opened.
    inputs : Path, optional
        Input list.
    folder : Path, optional
        Where the take is; a render notes it.
    without : frozenset of str
        Processors of the chain that are taken back: the stems are what a run without them gives.
    spoiled : frozenset of str
        Recordings whose stems were gone, or not as they had been written, when last rendered.
    """

    out: Path
    take: Take
    plan: Plan
    chain: Chain
    memory: Memory = field(default_factory=Memory)
    pictures: Pictures = field(default_factory=Pictures)
    stamps: Stamps = field(default_factory=dict, repr=False)
    inputs: Path | None = None
    folder: Path | None = None
    without: frozenset[str] = frozenset()
    spoiled: frozenset[str] = frozenset()
    lock: threading.Lock = field(default_factory=threading.Lock, repr=False)

    def corrections(self) -> Corrections:
        """Read the corrections as they are on disk."""
        return read_own(self.out)

    def check(self, corrections: Corrections) -> None:
        """Make sure that corrections can be laid over this take.

        Raises
        ------
        DspError
            Names the correction that cannot: a track, role or parameter there is not, a value out of range.
        """
        self.chain.check(self.take, corrections)

    def warm(self) -> None:
        """Measure and decide as far as the corrections on disk say, to have it in memory."""
        with self.lock:
            self.working().decide(self.take, corrections=self.corrections(), memory=self.memory)

    def working(self) -> Chain:
        """Give the chain without what is taken back.

        Raises
        ------
        ChainError
            If what is left needs what was taken back.
        """
        return Chain(processors=tuple(p for p in self.chain.processors if p.name not in self.without))

    def take_back(self, names: Iterable[str], again: Iterable[str] = ()) -> None:
        """Leave processors out from now on, or take them in again; `render` does it.

        Raises
        ------
        ParameterError
            If one is not in the chain.
        """
        known = [p.name for p in self.chain.processors]
        for name in (*names, *again):
            if name not in known:
                raise ParameterError(f"{name}: is not among what was run; {nearest(name, known)}")
        self.without = (self.without | frozenset(names)) - frozenset(again)

    def render(self) -> set[str]:
        """Decide with the corrections on disk and render the files on which something changed.

        Returns
        -------
        files : set of str
            Names of the stems rendered anew.
        """
        with self.lock, fill(self.out, whole=False) as (new, work):
            unchanged(self.take, self.stamps)
            there = store.load(self.out)  # not ours if another process has rendered since
            laid = laid_over(self.out, self.inputs)
            features = work / "features"
            chain = self.working()
            corrections = self.corrections()
            plan = chain.decide(self.take, work=features, corrections=corrections, memory=self.memory)
            plan = with_output(with_doubts(plan, self.take, corrections), output_of(there))
            if self.without:
                plan = plan.with_figures(TAKEN_BACK, {"names": sorted(self.without)})
                plan = plan.with_figures(ASKED, {"chain": self.chain.to_dict()["chain"]})
            spoiled = spoiled_files(self.out, there)
            files = changed_files(there, plan) | spoiled
            drawn = with_roles(self.take, corrections).replace(outlines=self.memory.outlines)
            plan, _ = write_output(drawn, plan, new, self.out, files, self.pictures, there)
            unchanged(self.take, self.stamps)
            _say_what_was_laid(self.out, new, laid, self.folder)
        self.plan, self.spoiled = plan, frozenset(spoiled)
        return files


def spoiled_files(out: Path, plan: Plan) -> set[str]:
    """Name the recordings of which something that an output's plan speaks of is gone, or not as it had been written.

    Nothing is read: size and time stamp tell; where they were not noted, being there is enough.
    """
    noted = _source(out).get("written")
    noted = noted if isinstance(noted, dict) else {}
    written = plan.figures.get("render", {}).get("files", {})
    paths = {**{t.file: [f"stems/{t.file}"] for t in plan.tracks}, **written}
    return {name for name, made in paths.items() if not all(_as_written(out / p, noted.get(p)) for p in made)}


def _as_written(path: Path, noted: object) -> bool:
    if not path.is_file():
        return False
    if not (isinstance(noted, list) and len(noted) == 2 and all(isinstance(n, int) for n in noted)):
        return True
    stat = path.stat()
    size, time_ns = map(int, noted)
    return stat.st_size == size and abs(stat.st_mtime_ns - time_ns) < COARSE_NS


def _source(out: Path) -> dict[str, Any]:
    try:
        source = reading.from_json(reading.read_text(out / "source.json"))
    except (OSError, ValueError):
        return {}
    return source if isinstance(source, dict) else {}


def _say_what_was_laid(out: Path, new: Path, laid: dict[str, str], folder: Path | None) -> None:
    source = _source(out)
    if source:
        source["take"] = str(folder.resolve()) if folder else source.get("take", "")
        earlier = source.get("written")
        written = {**(earlier if isinstance(earlier, dict) else {}), **stamps_of(new)}
        text = json.dumps({**source, "laid": laid, "written": written}, indent=2, ensure_ascii=False)
        (new / "source.json").write_text(text + "\n", "utf-8")


def changed_files(old: Plan, new: Plan) -> set[str]:
    """Names of the files on which the render would do something else than before."""
    which = output_of(new).markers

    def work_on(plan: Plan) -> dict[str, list[object]]:
        files: dict[str, list[object]] = {t.file: [] for t in plan.tracks}
        for t in plan.tracks:
            if which:
                files[t.file].append(markers_of(plan, t.track, which))
            for spec in plan.steps.get(t.track, ()):
                arrays = [
                    (k, plan.arrays[v].dtype.str, plan.arrays[v].tobytes()) for k, v in sorted(spec.arrays.items())
                ]
                files[t.file].append((t.track, spec.step, sorted(spec.params.items()), arrays))
        return files

    before, after = work_on(old), work_on(new)
    if output_of(old) != output_of(new):
        return set(after)
    return {name for name, steps in after.items() if before.get(name) != steps}


def open_desk(out: Path, moved_to: Path | None = None, workers: int = 1, progress: Progress | None = None) -> Desk:
    """Open an output folder again.

    Parameters
    ----------
    out : Path
    moved_to : Path, optional
        Where the take is now, if not where it was.
    workers : int
    progress : Progress, optional

    Raises
    ------
    PlanError
        If `out` is no output of a run, or its take is gone or has changed.
    """
    settle(out)
    if not (out / "plan.json").is_file():
        raise PlanError(f"{out}: no output of an earlier run (plan.json is missing)")
    plan = store.load(out)
    try:
        source = json.loads((out / "source.json").read_text("utf-8"))
        folder = moved_to or Path(source["take"])
        inputs = Path(source["inputs"]) if "inputs" in source else None
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        if moved_to is None:
            raise PlanError(f"{out}: source.json does not say where the take is; add --take TAKE") from error
        folder, inputs = moved_to, None
    if not folder.is_dir():
        raise PlanError(f"{folder}: the take is no longer there; add --take TAKE")
    refuse_links(out, folder)
    before = stamps(folder)
    take = open_take(folder, inputs=inputs, workers=workers, progress=progress)
    refuse_recordings(out, take)
    now = fingerprints(take)
    for facts in plan.tracks:
        if facts.fingerprint and now.get(facts.file) != facts.fingerprint:
            what = "has changed since" if facts.file in now else "is missing"
            raise PlanError(f"{facts.file}: {what}; the plan does not fit it any more; run the take again")
    for name in (n for specs in plan.steps.values() for s in specs for n in s.arrays.values()):
        if name not in plan.arrays:
            raise PlanError(f"{out}: plan.json needs '{name[:80]}', which is not in model; run the take again")
    without = frozenset(plan.figures.get(TAKEN_BACK, {}).get("names", ()))
    chain = Chain.asked_by(plan)
    return Desk(
        out=out, take=take, plan=plan, chain=chain, stamps=before, inputs=inputs, folder=folder, without=without
    )
