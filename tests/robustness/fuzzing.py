"""Feeds broken files to the readers and to the commands, in this process, with limits on time and memory."""

from __future__ import annotations

import contextlib
import io
import json
import random
import re
import resource
import shutil
import signal
import struct
import tracemalloc
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import FrameType

import numpy as np
from click.testing import CliRunner
from mutation import HOSTILE, mutated, sounds, texts
from stage import inputs_of, write_take

from spillgate.cli.main import main
from spillgate.dsp.errors import DspError

__all__ = ["fuzz_archives", "fuzz_commands", "fuzz_plans", "fuzz_sounds", "fuzz_texts", "said", "text_readers"]

LIMIT_S = 10.0
"""Longer counts as hanging."""

ALLOWED = 4
"""Memory a reader may ask for, times the size of the file…"""

SPARE = 8 << 20
"""…and this besides, bytes."""

MESSAGE = re.compile(r"[^\n]{5,}")


class HangError(Exception):
    """It took too long."""


@contextlib.contextmanager
def limited(seconds: float = 0.0) -> Iterator[None]:
    """Break off what takes too long."""

    def late(number: int, frame: FrameType | None) -> None:
        raise HangError

    old = signal.signal(signal.SIGALRM, late)
    signal.setitimer(signal.ITIMER_REAL, seconds or LIMIT_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, old)


@contextlib.contextmanager
def little_memory(size: int) -> Iterator[None]:
    """Fail if more was asked for at a time than the file's size allows."""
    tracemalloc.start()
    try:
        yield
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak <= ALLOWED * size + SPARE, f"{peak / 1e6:.1f} MB for {size} bytes"


def _refused_or_read(what: Callable[[], object], case: str, done: Counter[str]) -> None:
    try:
        with limited():
            what()
        done["read"] += 1
    except DspError as error:
        line = str(error)
    except BaseException as error:
        raise AssertionError(f"{case}: {type(error).__name__}: {error}") from error
    else:
        return
    assert MESSAGE.fullmatch(line), f"{case}: more than one line: {line}"
    done["refused"] += 1


def fuzz_sounds(folder: Path, seed: int, count: int) -> Counter[str]:
    """Broken recordings through the chunk reader, the prober and the first and last samples."""
    from spillgate.dsp.take.audio import FileReader, probe
    from spillgate.dsp.take.model import Track

    good, done = sounds(), Counter[str]()
    names = sorted(good)
    words = [*b"RIFF RF64 BW64 data ds64 cue bext iXML COMM SSND fLaC ]]>".split(), b"fmt ", b"<!DOCTYPE a>"]
    folder.mkdir(parents=True, exist_ok=True)
    for case in range(count):
        rng = random.Random(f"{seed} sound {case}")
        name = names[case % len(names)]
        data = mutated(good[name], rng, words)
        path = folder / f"x.{name.split('.')[1]}"
        path.write_bytes(data)

        def look(path: Path = path) -> None:
            found = probe(path)
            file, reader = found.file, FileReader()
            for channel in range(min(file.n_channels, 2)):
                track = Track(id="x", files=(file,), channel=channel)
                n = min(file.n_samples, 4096)
                reader(track, 0, n)
                reader(track, file.n_samples - n, file.n_samples)
            reader.close()

        with little_memory(len(data)):
            _refused_or_read(look, f"sound {seed} {case}", done)
    return done


def text_readers() -> dict[str, Callable[[Path], object]]:
    from spillgate.cli.options import build_chain, read_chain
    from spillgate.dsp.plan.corrections import read_corrections
    from spillgate.dsp.take.inputlist import read_inputlist

    return {
        "corrections.toml": lambda p: read_corrections(p).to_toml(),
        "inputs.toml": read_inputlist,
        "chain.toml": lambda p: build_chain((), (), read_chain(p)),
    }


def fuzz_texts(folder: Path, seed: int, count: int) -> Counter[str]:
    """Broken TOML and JSON through their readers; first the ones made by hand."""
    readers, good, done = text_readers(), texts(), Counter[str]()
    folder.mkdir(parents=True, exist_ok=True)
    words = b"[[ ]] ''' \\u0000 1e999 nan -0 {} [] = hit \xff\xfe inf true 1979-05-27 0x schema off null".split()
    words += [b"\n", b'"""', b"9" * 320, b"\xf0\x9f\xa5\x81"]
    for name, reader in readers.items():
        for what, made in HOSTILE.items():
            path = folder / name
            path.write_bytes(made())
            _refused_or_read(lambda p=path, r=reader: r(p), f"{name} {what}", done)
    for case in range(count):
        rng = random.Random(f"{seed} text {case}")
        name = sorted(good)[case % len(good)]
        path = folder / name
        path.write_bytes(mutated(good[name].encode(), rng, words))
        _refused_or_read(lambda p=path, r=readers[name]: r(p), f"text {seed} {case}", done)
        if name == "corrections.toml":
            spoilt = _spoilt_json(_as_data(good[name]), rng)
            path = folder / "corrections.json"
            path.write_text(spoilt)
            _refused_or_read(lambda p=path, r=readers[name]: r(p), f"json {seed} {case}", done)
    return done


def _as_data(text: str) -> object:
    import tomllib

    return tomllib.loads(text)


ODD = (
    *(None, True, -1, 0, 10**400, 1e308, float("inf"), float("nan"), -0.0, 2**63, [], {}, [[]], {"a": 1}, [1, 2]),
    *("", "x" * 5000, "\0", "..", "../../x", "/", "NaN", "tom1", "\ud800"),
)
"""Values that stand where others are expected."""


def _spoilt(data: object, rng: random.Random) -> object:
    """Change one value, key or length somewhere in plain data."""
    places: list[tuple[object, object]] = []

    def walk(value: object) -> None:
        items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
        for key, inner in items:
            places.append((value, key))
            walk(inner)

    copied = json.loads(json.dumps(data))
    walk(copied)
    for _ in range(rng.choice((1, 1, 2, 3))):
        if not places:
            return rng.choice(ODD)
        where, key = rng.choice(places)
        way = rng.random()
        try:
            if way < 0.7:
                where[key] = rng.choice(ODD)  # type: ignore[index]
            elif way < 0.8:
                del where[key]  # type: ignore[attr-defined]
            elif isinstance(where, dict):
                where[str(rng.choice(ODD))] = where.pop(key)
            else:
                where.extend([where[key]] * 3)  # type: ignore[attr-defined]
        except (KeyError, IndexError):
            continue
    return copied


def _spoilt_json(data: object, rng: random.Random) -> str:
    made = _spoilt(data, rng)
    text = json.dumps(made)
    if rng.random() < 0.2:
        text = mutated(text.encode(), rng).decode("latin-1")
    return text


def fuzz_plans(out: Path, seed: int, count: int) -> Counter[str]:
    """Broken ``plan.json`` of a real output through the reader."""
    from spillgate.dsp.plan import store

    good, done = json.loads((out / "plan.json").read_text("utf-8")), Counter[str]()
    text = (out / "plan.json").read_text("utf-8")
    for case in range(count):
        rng = random.Random(f"{seed} plan {case}")
        made = _spoilt_json(good, rng) if rng.random() < 0.7 else mutated(text.encode(), rng).decode("utf-8", "replace")
        (out / "plan.json").write_text(made, "utf-8", errors="replace")
        _refused_or_read(lambda: store.to_json(store.load(out)), f"plan {seed} {case}", done)
    (out / "plan.json").write_text(text, "utf-8")
    return done


def fuzz_archives(out: Path, seed: int, count: int) -> Counter[str]:
    """Broken arrays of a real output; archives that announce terabytes or unpack to more than they hold."""
    from spillgate.dsp.plan import store

    path = next((out / "model").glob("*.npz"))
    good, done = path.read_bytes(), Counter[str]()

    def look() -> None:
        store.load(out)

    for k, data in enumerate(_bombs(path.stem)):
        path.write_bytes(data)
        with little_memory(len(data) + (out / "plan.json").stat().st_size):
            _refused_or_read(look, f"bomb {k}", done)
    for case in range(count):
        rng = random.Random(f"{seed} archive {case}")
        path.write_bytes(mutated(good, rng))
        with little_memory(4 * len(good)):
            _refused_or_read(look, f"archive {seed} {case}", done)
    path.write_bytes(good)
    return done


def _bombs(by: str) -> Iterator[bytes]:
    head = b"{'descr': '<f8', 'fortran_order': False, 'shape': (1000000000000,), }"
    announced = b"\x93NUMPY\x01\x00" + struct.pack("<H", len(head) + 1) + head + b"\n"
    zeros = io.BytesIO()
    np.lib.format.write_array(zeros, np.zeros(30_000_000, np.float64))
    for data, how in ((announced, zipfile.ZIP_STORED), (zeros.getvalue(), zipfile.ZIP_DEFLATED)):
        stream = io.BytesIO()
        with zipfile.ZipFile(stream, "w", how) as archive:
            archive.writestr(f"{by}/x.npy", data)
        yield stream.getvalue()


def fuzz_commands(folder: Path, seed: int, count: int) -> Counter[str]:
    """Broken recordings and texts through whole commands: one line, a known exit code, nothing left or touched."""
    done: Counter[str] = Counter()
    take, out = write_take(folder / "take", 0.3), folder / "out"
    kept = folder / "kept"
    assert said(["run", take, "-o", kept, "--quiet"])[0] == 0
    good, broken = texts(), sounds()
    for case in range(count):
        rng = random.Random(f"{seed} command {case}")
        spoilt = folder / "spoilt"
        shutil.rmtree(spoilt, ignore_errors=True)
        shutil.copytree(take, spoilt)
        way = case % 6
        words: list[str | Path] = ["run", spoilt, "-o", out, "--quiet"]
        if way in (0, 1):
            victim = rng.choice(sorted(spoilt.glob("*.wav")))
            source = victim.read_bytes() if way == 0 else broken[rng.choice(sorted(broken))]
            victim.write_bytes(mutated(source, rng))
            words = words if rng.random() < 0.5 else ["check", spoilt] if rng.random() < 0.7 else ["inputs", spoilt]
        elif way == 2:
            (folder / "inputs.toml").write_bytes(mutated(good["inputs.toml"].encode(), rng))
            words += ["--inputs", folder / "inputs.toml"]
        elif way == 3:
            (folder / "chain.toml").write_bytes(mutated(good["chain.toml"].encode(), rng))
            words += ["--chain", folder / "chain.toml"]
        else:
            shutil.rmtree(out, ignore_errors=True)
            shutil.copytree(kept, out)
            words = ["render", out, "--quiet"]
            if way == 4:
                (out / "corrections.toml").write_bytes(mutated(good["corrections.toml"].encode(), rng))
            else:
                data = json.loads((out / "plan.json").read_text("utf-8"))
                (out / "plan.json").write_text(_spoilt_json(data, rng), "utf-8", errors="replace")
                words += ["--verify"] if rng.random() < 0.5 else []
        before = inputs_of(spoilt), inputs_of(take)
        with limited(3 * LIMIT_S):
            code, line = said(words)
        case_name = f"command {seed} {case} ({' '.join(str(w) for w in words[:1])}, way {way})"
        assert "fault of the program" not in line, f"{case_name}: {line}"
        assert "Traceback" not in line, f"{case_name}: {line}"
        assert code in (0, 1, 2, 3), f"{case_name}: exit code {code}"
        assert (inputs_of(spoilt), inputs_of(take)) == before, f"{case_name}: a recording was changed"
        if code == 1 and words[0] == "run":
            assert not out.exists(), f"{case_name}: something was left"
        if code in (1, 2):
            assert len(line.splitlines()) == 1, f"{case_name}: {line}"
        done[f"exit code {code}"] += 1
        shutil.rmtree(out, ignore_errors=True)
    return done


def said(words: Sequence[str | Path]) -> tuple[int, str]:
    result = CliRunner().invoke(main, [str(w) for w in words], prog_name="spillgate")
    return result.exit_code, result.stderr


def bounded_address_space(size: int = 4 << 30) -> None:
    """Let this process have so much memory and no more: what asks for terabytes fails instead of swapping."""
    resource.setrlimit(resource.RLIMIT_AS, (size, resource.getrlimit(resource.RLIMIT_AS)[1]))
