"""The review server under load and under attack: many at once, slow ones, two servers, bodies made to break it."""

from __future__ import annotations

import http.client
import json
import socket
import threading
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from spillgate.cli.server import DRAFT

Serve = Callable[[Path], Any]


def ask(address: str, path: str, data: object = None, raw: bytes | None = None) -> tuple[int, Any]:
    parts = urlsplit(address)
    connection = http.client.HTTPConnection(parts.hostname or "", parts.port or 0, timeout=60)
    body = raw if raw is not None else None if data is None else json.dumps(data).encode()
    connection.request("GET" if body is None else "POST", parts.path + path, body)
    answer = connection.getresponse()
    text = answer.read()
    connection.close()
    return answer.status, json.loads(text) if text[:1] in (b"{", b"[") else text


def delay(samples: float) -> dict[str, Any]:
    return {"schema": 1, "delay": [{"track": "02 Snare.wav", "samples": samples, "polarity": 1}]}


def test_a_thousand_requests_at_once(finished: Path, serve: Serve) -> None:
    with serve(finished) as (_, address), ThreadPoolExecutor(50) as pool:
        paths = ["/state", "/progress", "/samples?track=0&which=before&start=0&n=100", "/../state", "/plan.json"] * 200
        answers = Counter(pool.map(lambda p: ask(address, p)[0], paths))
    assert answers[200] == 600
    assert sum(answers[c] for c in (403, 404)) == 400


def test_of_many_pages_that_save_at_once_one_wins(finished: Path, serve: Serve) -> None:
    with serve(finished) as (review, address), ThreadPoolExecutor(20) as pool:
        sent = [{"revision": 1, "corrections": delay(k)} for k in range(20)]
        answers = list(pool.map(lambda d: ask(address, "/save", d), sent))
        assert Counter(status for status, _ in answers) == {200: 1, 409: 19}
        won = next(k for k, (status, _) in enumerate(answers) if status == 200)
        assert ask(address, "/state")[1]["corrections"]["delay"][0]["samples"] == won
        assert review.revision == 2


def test_two_servers_of_one_output_do_not_overwrite_each_other(finished: Path, serve: Serve) -> None:
    with serve(finished) as (_, one), serve(finished) as (_, other):
        assert ask(one, "/state")[1]["revision"] == ask(other, "/state")[1]["revision"] == 1
        assert ask(one, "/save", {"revision": 1, "corrections": delay(5)})[0] == 200
        assert ask(other, "/save", {"revision": 1, "corrections": delay(9)})[0] == 409
        state = ask(other, "/state")[1]
        assert state["corrections"] == delay(5)
        assert ask(other, "/draft", {"revision": state["revision"], "corrections": delay(9)})[0] == 200
        assert ask(one, "/save", {"revision": 2, "corrections": delay(7)})[0] == 409


def test_corrections_edited_by_hand_meanwhile_are_not_overwritten(finished: Path, serve: Serve) -> None:
    with serve(finished) as (_, address):
        text = 'schema = 1\n[[delay]]\ntrack = "02 Snare.wav"\nsamples = 3.0\npolarity = 1\n'
        (finished / "corrections.toml").write_text(text, "utf-8")
        assert ask(address, "/save", {"revision": 1, "corrections": delay(9)})[0] == 409
        assert (finished / "corrections.toml").read_text("utf-8") == text


def test_slow_clients_hold_up_nobody(finished: Path, serve: Serve) -> None:
    with serve(finished) as (_, address):
        parts = urlsplit(address)
        slow = []
        for k in range(30):
            line = socket.create_connection((parts.hostname or "", parts.port or 0))
            head = f"POST {parts.path}/save HTTP/1.1\r\nHost: {parts.netloc}\r\nContent-Length: 100000\r\n\r\n"
            line.sendall(head.encode()[: 20 if k % 2 else None] + (b"" if k % 2 else b"{"))
            slow.append(line)
        began = time.monotonic()
        assert ask(address, "/state")[0] == 200
        assert ask(address, "/save", {"revision": 1, "corrections": delay(1)})[0] == 200
        assert time.monotonic() - began < 10
        for line in slow:
            line.close()
        assert ask(address, "/state")[0] == 200


@pytest.mark.parametrize(
    "corrections",
    [
        '{"delay": [{"track": "02 Snare.wav", "samples": ' + "9" * 400 + "}]}",
        '{"delay": [{"track": "02 Snare.wav", "samples": 1e300}]}',
        '{"hit": [{"track": "\\ud800", "time_s": 1, "do": "add"}]}',
        '{"hit": [{"track": "' + "x" * 100_000 + '", "time_s": 1, "do": "add"}]}',
        '{"hit": ' + "[" * 400 + "]" * 400 + "}",
        '{"schema": ' + "9" * 400 + "}",
        '{"span": [{"track": "02 Snare.wav", "from_s": NaN, "to_s": 1, "do": "keep"}]}',
        '{"span": [{"track": "02 Snare.wav", "from_s": -1e300, "to_s": 1e300, "do": "keep"}]}',
        "null",
        "[]",
        "5",
    ],
)
def test_bodies_made_to_break_it(finished: Path, serve: Serve, corrections: str) -> None:
    with serve(finished) as (review, address):
        status, answer = ask(address, "/save", raw=f'{{"revision": 1, "corrections": {corrections}}}'.encode())
        assert status in (400, 422), answer
        assert review.revision == 1
        assert not (finished / "corrections.toml").exists()


def test_a_draft_without_end_is_told(finished: Path, serve: Serve) -> None:
    (finished / DRAFT).write_text("[" * 100_000, "utf-8")
    with serve(finished) as (_, address):
        status, state = ask(address, "/state")
        assert status == 200
        assert "cannot be read" in state["problem"]


def test_a_recording_that_is_gone_breaks_no_other_answer(finished: Path, serve: Serve) -> None:
    with serve(finished) as (_, address):
        for path in (finished.parent / "take").iterdir():
            path.unlink()
        status, answer = ask(address, "/samples?track=0&which=before&start=1000&n=100")
        assert status == 422
        assert "can no longer be read" in answer["error"]
        assert ask(address, "/")[0] in (200, 422)
        assert ask(address, "/state")[0] == 200
        assert threading.active_count() < 100
