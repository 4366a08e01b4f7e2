"""Reads, writes and flushes that fail at some byte of some file, in real processes.

A small library preloaded into the processes (``failing.c``, compiled here) makes the calls of the system fail, as a
dying disk, a full one or a lost network share would: one line is said, no harm done, and the next run gives the same
bytes.
"""

from __future__ import annotations

import errno
import os
import random
import re
import shutil
import subprocess
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from killing import CORRECTED, written
from stage import Stage, inputs_of, write_take

__all__ = ["can_fail", "fail_batch", "fail_render", "fail_run"]

WRITING = (errno.EIO, errno.ENOSPC, errno.EDQUOT, errno.EROFS)
LINE = re.compile(r"spillgate: [^\n]{20,}\n")


def can_fail() -> bool:
    """Whether there is a compiler, and a system that preloads."""
    return os.uname().sysname == "Linux" and shutil.which("gcc") is not None


class Fault:
    """What is to fail in the next command; `happened` tells whether it did."""

    def __init__(self, folder: Path) -> None:
        self.library, self.told, self.mark = (folder / n for n in ("failing.so", "failing.txt", "failed"))
        source = Path(__file__).with_name("failing.c")
        subprocess.run(["gcc", "-shared", "-fPIC", "-O1", "-o", self.library, source, "-ldl"], check=True)

    @property
    def environment(self) -> dict[str, str]:
        """Variables of the processes it is to act in."""
        return {"LD_PRELOAD": str(self.library), "FAILING": str(self.told)}

    @contextmanager
    def of(self, name: str, what: str, byte: int, number: int) -> Iterator[None]:
        """Let reads ('r'), writes ('w') or flushes ('s') of files with a name fail with an error number."""
        self.mark.unlink(missing_ok=True)
        self.told.write_text(f"{name}\n{what}\n{byte}\n{number}\n{self.mark}\n")
        yield
        self.told.unlink()

    @property
    def happened(self) -> bool:
        """Whether anything has failed."""
        return self.mark.exists()


def _drawn(rng: random.Random, reads: Sequence[Path], writes: Sequence[Path]) -> tuple[str, str, int, int]:
    """File, call, byte and error number: half of the faults at the very start, where headers are."""
    what = rng.choice("rrwws")
    path = rng.choice(reads if what == "r" else writes)
    size = path.stat().st_size
    byte = rng.choice((0, rng.randrange(min(size, 100) + 1), rng.randrange(size + 1), rng.randrange(size + 1)))
    return path.name, what, byte, errno.EIO if what == "r" else rng.choice(WRITING)


def _told(stage: Stage, code: int, fault: object) -> str:
    """Check what a failed command said; the kind of message: file names and numbers taken out."""
    assert code == 1, (fault, code, stage.said)
    assert LINE.fullmatch(stage.said), (fault, stage.said)
    assert "fault of the program" not in stage.said, (fault, stage.said)
    return stage.said


def fail_run(folder: Path, seed: int, tries: int) -> Counter[str]:
    """Let something fail in ``run`` into a new folder, then run it again."""
    rng = random.Random(seed)
    take, out, fault = write_take(folder / "take"), folder / "out", Fault(folder)
    words = ("run", take, "-o", out, "--quiet", "--workers", "2")
    done: Counter[str] = Counter()
    warm = ["run", str(take), "-o", str(folder / "warm"), "--quiet"]
    with Stage(folder, warm, fault.environment) as stage:
        before = inputs_of(take)
        assert stage.run(*words) == 0, stage.said
        right = written(out)
        reads, writes = list(take.iterdir()), [folder / "warm" / n for n in right]
        for _ in range(tries):
            shutil.rmtree(out, ignore_errors=True)
            drawn = _drawn(rng, reads, writes)
            with fault.of(*drawn):
                code = stage.run(*words)
            assert inputs_of(take) == before, (drawn, "a recording was changed")
            if code == 0:  # not reached, or of no consequence
                done["no harm" if fault.happened else "not reached"] += 1
            else:
                _told(stage, code, drawn)
                assert fault.happened, (drawn, stage.said)
                assert not out.exists(), (drawn, written(out))
                done[f"{drawn[1]} told"] += 1
                assert stage.run(*words) == 0, (drawn, stage.said)
            assert written(out) == right, (drawn, set(written(out).items()) ^ set(right.items()))
    return done


def fail_render(folder: Path, seed: int, tries: int) -> Counter[str]:
    """Let something fail in ``render`` after the corrections have changed, then render again."""
    rng = random.Random(seed)
    take, out, fault = write_take(folder / "take"), folder / "out", Fault(folder)
    words = ("render", out, "--quiet", "--workers", "2")
    done: Counter[str] = Counter()
    with Stage(folder, ["run", str(take), "-o", str(out), "--quiet"], fault.environment) as stage:
        before, right = inputs_of(take), []
        texts = [CORRECTED.format(at=0.75, late=10), CORRECTED.format(at=1.2, late=-20.5)]
        for text in texts:
            (out / "corrections.toml").write_text(text)
            assert stage.run(*words) == 0, stage.said
            right.append(written(out))
        now = 1
        for _ in range(tries):
            there = dict(right[now])
            now = 1 - now
            (out / "corrections.toml").write_text(texts[now])
            there["corrections.toml"] = right[now]["corrections.toml"]
            files = [out / n for n in right[now]]
            drawn = _drawn(rng, [*take.iterdir(), *(p for p in files if p.parent == out)], files)
            with fault.of(*drawn):
                code = stage.run(*words)
            assert inputs_of(take) == before, (drawn, "a recording was changed")
            if code == 0:
                done["no harm" if fault.happened else "not reached"] += 1
            else:
                _told(stage, code, drawn)
                assert fault.happened, (drawn, stage.said)
                assert written(out) == there, (drawn, set(written(out).items()) ^ set(there.items()))
                done[f"{drawn[1]} told"] += 1
                assert stage.run(*words) == 0, (drawn, stage.said)
            assert written(out) == right[now], (drawn, set(written(out).items()) ^ set(right[now].items()))
    return done


def fail_batch(folder: Path, seed: int, tries: int) -> Counter[str]:
    """Let something fail in one of two takes of ``batch``: the other is done, and the next batch completes."""
    rng = random.Random(seed)
    tree, out, fault = folder / "songs", folder / "out", Fault(folder)
    for k, name in enumerate(("A", "B")):
        for path in write_take(folder / name, 1.2 + 0.3 * k, extra=False).iterdir():
            (tree / name).mkdir(parents=True, exist_ok=True)
            path.rename(tree / name / f"{name} {path.name}")
    words = ("batch", tree, "-o", out, "--quiet", "--workers", "1")
    done: Counter[str] = Counter()
    warm = ["run", str(tree / "A"), "-o", str(folder / "warm"), "--quiet"]
    with Stage(folder, warm, fault.environment) as stage:
        before = inputs_of(tree)
        assert stage.run(*words) == 0, stage.said
        right = written(out)
        stems = [out / n for n in right if n.startswith("B/stems/")]
        for _ in range(tries):
            drawn = _drawn(rng, sorted((tree / "B").iterdir()), stems)
            shutil.rmtree(out)
            with fault.of(*drawn):
                code = stage.run(*words)
            assert inputs_of(tree) == before, (drawn, "a recording was changed")
            found = written(out)
            assert {n: d for n, d in found.items() if n.startswith("A/")} == {
                n: d for n, d in right.items() if n.startswith("A/")
            }, drawn
            if code:
                assert code == 1, (drawn, stage.said)
                assert fault.happened, (drawn, stage.said)
                assert "Traceback" not in stage.said, (drawn, stage.said)
                assert "fault of the program" not in stage.said, (drawn, stage.said)
                assert not [n for n in found if n.startswith("B/")], (drawn, sorted(found))
                done[f"{drawn[1]} told"] += 1
                assert stage.run(*words) == 0, (drawn, stage.said)
            else:
                done["no harm" if fault.happened else "not reached"] += 1
            assert written(out) == right, (drawn, set(written(out).items()) ^ set(right.items()))
    return done
