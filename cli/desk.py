"""An output folder opened again: decide with corrections, render what changed."""

from __future__ import annotations

import json
import threading
from dataclasses import dataclass, field
from pathlib import Path

from spillgate.cli.job import read_own, with_doubts, write_output
from spillgate.cli.output import fill
from spillgate.cli.report import Pictures
from spillgate.dsp.chain import Chain, Memory
from spillgate.dsp.errors import PlanError
from spillgate.dsp.plan import store
from spillgate.dsp.plan.corrections import Corrections
from spillgate.dsp.plan.model import Plan
from spillgate.dsp.take.features import fingerprints
from spillgate.dsp.take.model import Progress, Take
from spillgate.dsp.take.opening import open_take

__all__ = ["Desk", "changed_files", "open_desk"]


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
    """

    out: Path
    take: Take
    plan: Plan
    chain: Chain
    memory: Memory = field(default_factory=Memory)
    pictures: Pictures = field(default_factory=Pictures)
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
            self.chain.decide(self.take, corrections=self.corrections(), memory=self.memory)

    def render(self) -> set[str]:
        """Decide with the corrections on disk and render the files on which something changed.

        Returns
        -------
        files : set of str
            Names of the stems rendered anew.
        """
        with self.lock, fill(self.out, whole=False) as (new, work):
            features = work / "features"
            plan = self.chain.decide(self.take, work=features, corrections=self.corrections(), memory=self.memory)
            plan = with_doubts(plan, self.take)
            files = changed_files(self.plan, plan) | {
                f.name for t in self.take.tracks for f in t.files if not (self.out / "stems" / f.name).is_file()
            }
            write_output(self.take, plan, new, self.out, files, self.pictures)
        self.plan = plan
        return files


def changed_files(old: Plan, new: Plan) -> set[str]:
    """Names of the files on which the render would do something else than before."""

    def work_on(plan: Plan) -> dict[str, list[object]]:
        files: dict[str, list[object]] = {t.file: [] for t in plan.tracks}
        for t in plan.tracks:
            for spec in plan.steps.get(t.track, ()):
                arrays = [
                    (k, plan.arrays[v].dtype.str, plan.arrays[v].tobytes()) for k, v in sorted(spec.arrays.items())
                ]
                files[t.file].append((t.track, spec.step, sorted(spec.params.items()), arrays))
        return files

    before, after = work_on(old), work_on(new)
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
    if not (out / "plan.json").is_file():
        raise PlanError(f"{out}: no output of an earlier run (plan.json is missing)")
    plan = store.load(out)
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
    take = open_take(folder, inputs=inputs, workers=workers, progress=progress)
    now = fingerprints(take)
    for facts in plan.tracks:
        if facts.fingerprint and now.get(facts.file) != facts.fingerprint:
            what = "has changed since" if facts.file in now else "is missing"
            raise PlanError(f"{facts.file}: {what}; the plan does not fit it any more; run the take again")
    entries = [{k: v for k, v in entry.items() if k != "version"} for entry in plan.chain]
    return Desk(out=out, take=take, plan=plan, chain=Chain.from_dict({"chain": entries}))
