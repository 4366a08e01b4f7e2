"""The review server: who is let in, what it gives out, what it keeps.  A real server on a real socket."""

from __future__ import annotations

import http.client
import json
import time
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import pytest
import soundfile

from spillgate.cli.server import DRAFT, LARGEST_BODY, LARGEST_PIECE_S

Serve = Callable[[Path], Any]
EMPTY = {"schema": 1}


class Client:
    """Speaks plain HTTP, so that every header can be chosen."""

    def __init__(self, address: str) -> None:
        parts = urlsplit(address)
        assert parts.hostname is not None
        self.host, self.port, self.base = parts.hostname, parts.port, parts.path

    def ask(
        self, path: str, body: object = None, method: str = "", whole: bool = False, **headers: str
    ) -> tuple[int, bytes, dict[str, str]]:
        connection = http.client.HTTPConnection(self.host, self.port or 0, timeout=20)
        data = body if isinstance(body, bytes) or body is None else json.dumps(body).encode()
        named = {k.replace("_", "-"): v for k, v in headers.items()}
        connection.putrequest(method or ("GET" if data is None else "POST"), path if whole else self.base + path,
                              skip_host="host" in named)  # fmt: skip
        if data is not None:
            connection.putheader("content-length", str(len(data)))
        for k, v in named.items():
            connection.putheader(k, v)
        connection.endheaders(data)
        answer = connection.getresponse()
        result = answer.status, answer.read(), {k.lower(): v for k, v in answer.getheaders()}
        connection.close()
        return result

    def json(self, path: str, body: object = None, **headers: str) -> tuple[int, Any]:
        status, data, _ = self.ask(path, body, **headers)
        return status, json.loads(data)


def rendered(client: Client) -> dict[str, Any]:
    assert client.json("/render", {})[0] == 200
    for _ in range(400):
        state: dict[str, Any] = client.json("/progress")[1]
        if state["state"] != "running":
            return state
        time.sleep(0.05)
    raise AssertionError("the render does not end")


def leave_out(track: str, time_s: float) -> dict[str, Any]:
    return {"schema": 1, "hit": [{"track": track, "time_s": time_s, "do": "leave out"}]}


def a_hit(review: Any, label: str) -> tuple[str, float]:
    track = review.desk.take.track(label)
    hit = max(review.desk.plan.hits_of(track.id), key=lambda h: h.level_db)
    return track.id, round(hit.time_s, 5)


def test_only_the_page_it_gave_out_is_let_in(finished: Path, serve: Serve) -> None:
    with serve(finished) as (review, address):
        client = Client(address)
        here = f"{client.host}:{client.port}"
        assert client.host == "127.0.0.1"
        assert client.ask("/state")[0] == 200
        assert client.ask("/state", origin=f"http://{here}")[0] == 200
        refused = [
            client.ask("/state", host="evil.example"),
            client.ask("/state", host=f"127.0.0.1.evil.example:{client.port}"),
            client.ask("/state", host=f"127.0.0.1:{(client.port or 0) + 1}"),
            client.ask("/state", origin="http://evil.example"),
            client.ask("/state", origin="null"),
            client.ask("/render", {}, origin="https://127.0.0.1"),
            client.ask("/", whole=True),
            client.ask("/state", whole=True),
            client.ask(f"/{review.token[:-1]}/state", whole=True),
            client.ask(f"/{review.token}x/state", whole=True),
            client.ask("/%2e%2e/state", whole=True),
        ]
        assert [status for status, _, _ in refused] == [403] * len(refused)
        assert review.state["state"] == "idle"
        assert all(review.token.encode() not in body for _, body, _ in refused)


def test_the_address_cannot_be_guessed_and_is_new_every_time(finished: Path, serve: Serve) -> None:
    tokens = set()
    for _ in range(2):
        with serve(finished) as (review, _address):
            tokens.add(review.token)
    assert len(tokens) == 2
    assert min(map(len, tokens)) >= 32  # 24 random bytes: 192 bit


@pytest.mark.parametrize(
    "path",
    ["/plan.json", "/stems/03%20Rack%20Tom.wav", "/..%2f..%2fetc%2fpasswd", "/../../../etc/passwd", "//etc/passwd",
     "/samples/../plan.json", "/%00", "/state/x"],
)  # fmt: skip
def test_no_file_is_ever_served_by_its_name(finished: Path, serve: Serve, path: str) -> None:
    with serve(finished) as (_, address):
        assert Client(address).ask(path)[0] in (403, 404)


def test_what_every_answer_says_about_itself(finished: Path, serve: Serve) -> None:
    with serve(finished) as (_, address):
        status, body, headers = Client(address).ask("/")
        assert status == 200
        policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
        # W3C Content Security Policy Level 3: nothing by default, scripts and styles by nonce only
        assert policy["default-src"] == "'none'"
        assert policy["script-src"].startswith("'nonce-")
        assert policy["style-src"] == policy["script-src"]
        assert policy["connect-src"] == "'self'"
        assert (policy["base-uri"], policy["form-action"], policy["frame-ancestors"]) == ("'none'",) * 3
        assert "unsafe" not in headers["content-security-policy"]
        nonce = policy["script-src"].removeprefix("'nonce-").removesuffix("'")
        assert body.count(b"<script") == body.count(b'<script nonce="' + nonce.encode()) + 1  # and the data
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["cache-control"] == "no-store"
        again = Client(address).ask("/")[2]["content-security-policy"]
        assert again != headers["content-security-policy"], "a nonce is used once"


def test_bodies_that_are_too_large_or_no_corrections(finished: Path, serve: Serve) -> None:
    with serve(finished) as (review, address):
        client = Client(address)
        assert client.ask("/draft", b"x" * (LARGEST_BODY + 1))[0] == 413
        for body in (b"", b"{", b"[]", b'{"revision": "1", "corrections": {}}', b'{"revision": 1}', b"[" * 100_000):
            assert client.ask("/draft", body)[0] == 400
        wrong: list[tuple[Any, str]] = [
            ({"hits": []}, "unknown table"),
            ({"hit": [{"track": "03 Rack Tom.wav", "time_s": 1.0, "do": "leaveout"}]}, "leave out"),
            ({"hit": [{"track": "../../etc/passwd", "time_s": 1.0, "do": "keep"}]}, "no such track"),
            ({"parameter": [{"track": "tom1", "processor": "gate", "name": "floor_db", "value": 7}]}, "floor_db"),
            ({"parameter": [{"track": "tom1", "processor": "gate", "name": "flor_db", "value": -9}]}, "floor_db"),
            ({"role": [{"track": "tom1", "role": "tomm"}]}, "tom"),
            ({"delay": [{"track": "tom1", "samples": 1e999}]}, "not a number"),
        ]
        for data, said in wrong:
            status, answer = client.json("/draft", {"revision": 1, "corrections": data})
            assert status == 422, data
            assert said in answer["error"]
        assert review.revision == 1
        assert not (finished / DRAFT).exists()
        assert not (finished / "corrections.toml").exists()


@pytest.mark.parametrize("query", [
    "", "track=0&which=before&start=0", "track=99&which=before&start=0&n=10", "track=-1&which=before&start=0&n=10",
    "track=0&which=../x&start=0&n=10", "track=0&which=before&start=0&n=0", "track=0&which=before&start=x&n=10",
    "track=0&which=before&start=0&n=999999999999", "track=0&which=before&start=99999999999&n=10",
])  # fmt: skip
def test_samples_that_cannot_be_asked_for(finished: Path, serve: Serve, query: str) -> None:
    with serve(finished) as (review, address):
        assert LARGEST_PIECE_S * review.desk.take.sr < 999999999999
        assert Client(address).ask("/samples?" + query)[0] == 400


def test_samples_are_those_in_the_files(finished: Path, serve: Serve) -> None:
    with serve(finished) as (review, address):
        client = Client(address)
        names = [t.id for t in review.desk.take.drum_tracks]
        index = names.index("03 Rack Tom.wav")
        whole, sr = soundfile.read(finished.parent / "take" / "03 Rack Tom.wav", dtype="float32")
        stem, _ = soundfile.read(finished / "stems" / "03 Rack Tom.wav", dtype="float32")
        for start, n in ((0, 50), (sr, 4800), (len(whole) - 10, 100)):
            for which, x in (("before", whole), ("after", stem)):
                status, data, _ = client.ask(f"/samples?track={index}&which={which}&start={start}&n={n}")
                want = np.pad(x[start : start + n], (0, n - len(x[start : start + n])))
                assert status == 200
                np.testing.assert_array_equal(np.frombuffer(data, "<f4"), want)
        move = next(a for a in review.desk.plan.alignments if a.track == "03 Rack Tom.wav")
        if move.delay_samples == round(move.delay_samples):
            d = int(move.delay_samples)
            got = np.frombuffer(client.ask(f"/samples?track={index}&which=removed&start={sr}&n=500")[1], "<f4")
            np.testing.assert_allclose(got, whole[sr - d : sr - d + 500] - stem[sr : sr + 500], atol=2e-7)


def test_drafts_outlive_the_server_and_saving_ends_them(finished: Path, serve: Serve) -> None:
    with serve(finished) as (review, address):
        edits = leave_out(*a_hit(review, "03 Rack Tom"))
        status, answer = Client(address).json("/draft", {"revision": 1, "corrections": edits})
        assert (status, answer) == (200, {"revision": 2, "saved": False})
    assert not (finished / "corrections.toml").exists()
    with serve(finished) as (_, address):  # as after a power cut: nothing but the folder is left
        client = Client(address)
        state = client.json("/state")[1]
        assert state["corrections"] == edits
        assert (state["saved"], state["problem"]) == (False, "")
        assert client.json("/save", {"revision": state["revision"], "corrections": edits})[0] == 200
        assert client.json("/state")[1]["saved"] is True
    assert not (finished / DRAFT).exists()
    assert tomllib.loads((finished / "corrections.toml").read_text("utf-8")) == edits


def test_a_spoilt_draft_or_corrections_file_is_told_not_lost(finished: Path, serve: Serve) -> None:
    (finished / DRAFT).write_text("{spoilt", "utf-8")
    with serve(finished) as (_, address):
        state = Client(address).json("/state")[1]
        assert state["corrections"] == EMPTY
        assert "cannot be read" in state["problem"]
    (finished / DRAFT).unlink()
    (finished / "corrections.toml").write_text("[[hit]]\ntrak = 1\n", "utf-8")
    with serve(finished) as (_, address):
        assert "'trak'" in Client(address).json("/state")[1]["problem"]
        failed = rendered(Client(address))
        assert failed["state"] == "failed"
        assert "'trak'" in failed["error"]
    assert (finished / "corrections.toml").read_text("utf-8") == "[[hit]]\ntrak = 1\n"


def test_two_pages_do_not_overwrite_each_other(finished: Path, serve: Serve) -> None:
    with serve(finished) as (review, address):
        client = Client(address)
        first = leave_out(*a_hit(review, "03 Rack Tom"))
        assert client.json("/save", {"revision": 1, "corrections": first})[0] == 200
        status, answer = client.json("/save", {"revision": 1, "corrections": EMPTY})
        assert status == 409
        assert "another page" in answer["error"]
        assert client.json("/state")[1]["corrections"] == first


def test_a_render_changes_the_stem_of_that_drum_and_no_other(finished: Path, serve: Serve) -> None:
    before = {p.name: p.read_bytes() for p in (finished / "stems").iterdir()}
    with serve(finished) as (review, address):
        client = Client(address)
        track, time_s = a_hit(review, "03 Rack Tom")
        client.json("/save", {"revision": 1, "corrections": leave_out(track, time_s)})
        done = rendered(client)
        assert (done["state"], done["files"], done["error"]) == ("done", ["03 Rack Tom.wav"], "")
        after = {p.name: p.read_bytes() for p in (finished / "stems").iterdir()}
        assert {n for n in after if after[n] != before[n]} == {"03 Rack Tom.wav"}
        client.json("/save", {"revision": 2, "corrections": EMPTY})
        assert rendered(client)["files"] == ["03 Rack Tom.wav"]
        assert {p.name: p.read_bytes() for p in (finished / "stems").iterdir()} == before
        assert rendered(client)["files"] == []


def test_a_failing_render_is_told_and_the_next_one_works(finished: Path, serve: Serve) -> None:
    with serve(finished) as (review, address):
        client = Client(address)
        client.json("/save", {"revision": 1, "corrections": leave_out(*a_hit(review, "03 Rack Tom"))})
        tom = finished.parent / "take" / "03 Rack Tom.wav"
        tom.rename(tom.with_suffix(".gone"))
        failed = rendered(client)
        assert failed["state"] == "failed"
        assert "03 Rack Tom.wav" in failed["error"]
        assert not (finished / ".work").exists()
        tom.with_suffix(".gone").rename(tom)
        assert rendered(client)["state"] == "done"


def test_warming_up_makes_nothing_but_the_next_render_fast(finished: Path, serve: Serve) -> None:
    with serve(finished) as (review, _):
        files = {p: p.stat().st_mtime_ns for p in finished.rglob("*")}
        review.warm()
        for _ in range(400):
            with review.desk.lock:
                if review.desk.memory._plans:
                    break
            time.sleep(0.02)
        assert set(review.desk.memory._plans) == {"detect", "align", "gate"}
        assert {p: p.stat().st_mtime_ns for p in finished.rglob("*")} == files
