"""Processes killed at random moments: what is there afterwards is whole, and the next run completes.

Half of the kills fall anywhere between start and end, half are aimed at the moment when a finished output is put in
place, which is short and would else hardly ever be hit.
"""

from __future__ import annotations

import json
import random
import shutil
import signal
import time
import urllib.request
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from stage import Stage, after, contents, inputs_of, once, write_take

__all__ = ["kill_batch", "kill_render", "kill_run", "kill_save"]

LEFT = {".lock", ".work"}
"""What a killed process may leave beside the files under their final names, and files being written (``.x.part``)."""

CORRECTED = """schema = 1
[[hit]]
track = "Rack Tom"
time_s = {at}
do = "add"
[[delay]]
track = "Snare"
samples = {late}
"""


def written(out: Path) -> dict[str, str]:
    """Everything in an output but the one file that may differ: where the take was and when the stems were written."""
    return contents(out, ("source.json",))


def final(found: dict[str, str]) -> dict[str, str]:
    """Only what stands under a final name."""
    return {n: d for n, d in found.items() if not LEFT & set(n.split("/")) and not n.endswith(".part")}


def _moment(rng: random.Random, out: Path, seconds: float) -> tuple[str, object]:
    if rng.random() < 0.5:
        return "anywhere", after(rng.uniform(0, seconds))
    return "placing", once((out / ".work" / "placing.json").is_file, rng.expovariate(1 / 0.002))


def _whole(found: dict[str, str], *allowed: dict[str, str]) -> None:
    for name, digest in final(found).items():
        assert digest in {a.get(name) for a in allowed}, f"{name}: neither as before nor as it should become"


def kill_run(folder: Path, seed: int, tries: int) -> Counter[str]:
    """Kill ``run`` into a new folder, then run it again."""
    rng = random.Random(seed)
    take, out = write_take(folder / "take"), folder / "out"
    words = ("run", take, "-o", out, "--quiet", "--workers", "2")
    done: Counter[str] = Counter()
    with Stage(folder, ["run", str(take), "-o", str(folder / "warm"), "--quiet"]) as stage:
        before, began = inputs_of(take), time.monotonic()
        assert stage.run(*words) == 0, stage.said
        length = time.monotonic() - began
        right = written(out)
        for _ in range(tries):
            shutil.rmtree(out, ignore_errors=True)
            where, due = _moment(rng, out, length)
            if stage.kill_when(due, *words) != -signal.SIGKILL:  # type: ignore[arg-type]
                done["too late"] += 1
                assert written(out) == right
                continue
            done[where] += 1
            done["placing had begun"] += (out / ".work" / "placing.json").is_file()
            found = written(out) if out.exists() else {}
            _whole(found, right)
            assert inputs_of(take) == before, "a recording was changed"
            again = ("--overwrite",) if final(found) == right else ()  # killed when all was done
            assert stage.run(*words, *again) == 0, stage.said
            assert written(out) == right, set(written(out).items()) ^ set(right.items())
            assert inputs_of(take) == before, "a recording was changed"
    return done


def kill_render(folder: Path, seed: int, tries: int) -> Counter[str]:
    """Kill ``render`` after the corrections have changed, then render again."""
    rng = random.Random(seed)
    take, out = write_take(folder / "take"), folder / "out"
    words = ("render", out, "--quiet", "--workers", "2")
    done: Counter[str] = Counter()
    with Stage(folder, ["run", str(take), "-o", str(out), "--quiet"]) as stage:
        before = inputs_of(take)
        right, length = [], 0.0
        texts = [CORRECTED.format(at=0.75, late=10), CORRECTED.format(at=1.2, late=-20.5)]
        for text in texts:
            (out / "corrections.toml").write_text(text)
            began = time.monotonic()
            assert stage.run(*words) == 0, stage.said
            length = time.monotonic() - began
            right.append(written(out))
        assert right[0]["stems/Snare.wav"] != right[1]["stems/Snare.wav"]
        now = 1
        for _ in range(tries):
            now = 1 - now
            (out / "corrections.toml").write_text(texts[now])
            where, due = _moment(rng, out, length)
            if stage.kill_when(due, *words) == -signal.SIGKILL:  # type: ignore[arg-type]
                done[where] += 1
                done["placing had begun"] += (out / ".work" / "placing.json").is_file()
                _whole(written(out), *right)
                assert inputs_of(take) == before, "a recording was changed"
                assert stage.run(*words) == 0, stage.said
            else:
                done["too late"] += 1
            assert written(out) == right[now], set(written(out).items()) ^ set(right[now].items())
            assert inputs_of(take) == before, "a recording was changed"
    return done


def kill_batch(folder: Path, seed: int, tries: int) -> Counter[str]:
    """Kill ``batch`` with its processes, then start it again."""
    rng = random.Random(seed)
    tree, out = folder / "songs", folder / "out"
    for k, seconds in enumerate((1.5, 1.2)):
        write_take(tree / f"Song {k}", seconds, extra=False)
    words = ("batch", tree, "-o", out, "--quiet", "--workers", "1")
    done: Counter[str] = Counter()
    with Stage(folder, ["run", str(tree / "Song 0"), "-o", str(folder / "warm"), "--quiet"]) as stage:
        before, began = inputs_of(tree), time.monotonic()
        assert stage.run(*words) == 0, stage.said
        length = time.monotonic() - began
        right = written(out)
        for _ in range(tries):
            shutil.rmtree(out, ignore_errors=True)
            if stage.kill_when(after(rng.uniform(0, length)), *words) == -signal.SIGKILL:
                done["anywhere"] += 1
                if out.exists():
                    _whole(written(out), right)
                assert stage.run(*words) == 0, stage.said
            else:
                done["too late"] += 1
            assert written(out) == right, set(written(out).items()) ^ set(right.items())
            assert inputs_of(tree) == before, "a recording was changed"
    return done


def kill_save(folder: Path, seed: int, tries: int) -> Counter[str]:
    """Kill the review server while pages save."""
    rng = random.Random(seed)
    take, out = write_take(folder / "take", extra=False), folder / "out"
    done: Counter[str] = Counter()
    with Stage(folder, ["run", str(take), "-o", str(out), "--quiet"]) as stage:
        before, right = inputs_of(take), written(out)
        sent: set[str] = set()
        for turn in range(tries):
            pid = stage.start("review", out, "--no-open", "--port", "0", "--quiet")
            address = _address(stage)
            state = _ask(address + "state")
            revision, moment = state["revision"], time.monotonic() + rng.uniform(0, 0.08)
            saved = 0
            while time.monotonic() < moment:
                data = {
                    "schema": 1,
                    "hit": [{"track": "Rack Tom", "time_s": 0.5 + saved / 1000 + turn, "do": "add"}] * 40,
                }
                sent.add(json.dumps(data, sort_keys=True))
                revision = _ask(address + "save", {"revision": revision, "corrections": data})["revision"]
                saved += 1
            data = {"schema": 1, "hit": [{"track": "Rack Tom", "time_s": 0.9 + turn, "do": "add"}] * 400}
            sent.add(json.dumps(data, sort_keys=True))
            _send_and_leave(address + "save", {"revision": revision, "corrections": data})
            time.sleep(rng.uniform(0, 0.02))
            _kill(pid)
            assert stage.end() == -signal.SIGKILL
            done["saves"] += saved
            done["killed"] += 1
            found = final(written(out))
            text = (out / "corrections.toml").read_text() if "corrections.toml" in found else ""
            found.pop("corrections.toml", None)
            assert found == right
            assert inputs_of(take) == before
            if text:
                import tomllib

                assert json.dumps(tomllib.loads(text), sort_keys=True) in sent
    return done


def _kill(pid: int) -> None:
    import os

    os.killpg(pid, signal.SIGKILL)


def _address(stage: Stage) -> str:
    stop = time.monotonic() + 60
    while time.monotonic() < stop:
        lines = [line for line in stage.said.splitlines() if line.startswith("http://")]
        if lines and stage.said.endswith("\n"):
            return lines[0]
        time.sleep(0.01)
    raise AssertionError(stage.said)


def _request(address: str, data: object = None) -> urllib.request.Request:
    body = None if data is None else json.dumps(data).encode()
    return urllib.request.Request(address, body, {"Content-Type": "application/json"})


def _ask(address: str, data: object = None) -> dict[str, object] | None:
    with urllib.request.urlopen(_request(address, data), timeout=60) as answer:
        result: dict[str, object] = json.loads(answer.read())
    return result


def _send_and_leave(address: str, data: object) -> None:
    """Send a request without waiting for the answer."""
    import socket
    from urllib.parse import urlsplit

    parts = urlsplit(address)
    body = json.dumps(data).encode()
    head = f"POST {parts.path} HTTP/1.1\r\nHost: {parts.netloc}\r\nContent-Length: {len(body)}\r\n\r\n"
    with socket.create_connection((parts.hostname or "", parts.port or 0), timeout=10) as line:
        line.sendall(head.encode() + body)
        line.setblocking(False)


WAYS: Sequence = (kill_run, kill_render, kill_batch, kill_save)
