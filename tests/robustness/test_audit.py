"""The audit of ``.ci/run`` against a server that answers, does not, or answers with something else.

The answers have the form that the index's documentation of its JSON interface gives for "vulnerabilities".
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

AUDIT = Path(__file__).resolve().parents[2] / ".ci" / "audit"
LOCK = """# made by hand
good==1.0 \\
    --hash=sha256:00
other==2.1.post1 ; python_version < "3.12" \\
    --hash=sha256:00
"""
HOLE = {"id": "PYSEC-1", "aliases": ["CVE-1"], "fixed_in": ["2.2"], "withdrawn": None, "summary": "a hole"}


@pytest.fixture
def answers() -> Iterator[tuple[str, dict[str, object]]]:
    """Address of a server, and what it answers by path; what is not there is a 404."""
    by_path: dict[str, object] = {}

    class Answer(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            text = by_path.get(self.path)
            self.send_response(404 if text is None else 200)
            self.end_headers()
            self.wfile.write(json.dumps(text).encode() if text is not None else b"")

        def log_message(self, *words: object) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Answer) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield f"http://127.0.0.1:{server.server_port}/", by_path
        server.shutdown()
        thread.join()


def audit(folder: Path, address: str) -> tuple[int, str]:
    (folder / "lock").write_text(LOCK)
    env = {**os.environ, "ADVISORIES": address}
    done = subprocess.run(
        [sys.executable, AUDIT, folder / "lock"], env=env, capture_output=True, text=True, check=False
    )
    assert done.stderr == ""
    return done.returncode, done.stdout


def test_nothing_known(tmp_path: Path, answers: tuple[str, dict[str, object]]) -> None:
    address, by_path = answers
    by_path["/good/1.0/json"] = {"vulnerabilities": []}
    by_path["/other/2.1.post1/json"] = {"vulnerabilities": [{**HOLE, "withdrawn": "2026-01-01T00:00:00Z"}]}
    assert audit(tmp_path, address) == (0, "vulnerabilities: 2 of 2 versions asked about, 0 found\n")


def test_a_known_one_fails(tmp_path: Path, answers: tuple[str, dict[str, object]]) -> None:
    address, by_path = answers
    by_path["/good/1.0/json"] = {"vulnerabilities": []}
    by_path["/other/2.1.post1/json"] = {"vulnerabilities": [HOLE]}
    code, said = audit(tmp_path, address)
    assert code == 1
    assert "other 2.1.post1: PYSEC-1, CVE-1; mended in 2.2\n" in said


def test_what_is_not_known_there_is_said(tmp_path: Path, answers: tuple[str, dict[str, object]]) -> None:
    address, by_path = answers
    by_path["/good/1.0/json"] = {"vulnerabilities": []}
    code, said = audit(tmp_path, address)
    assert (code, said) == (0, "vulnerabilities: 1 of 2 versions asked about, 0 found; not known there: other\n")


def test_nobody_to_ask_is_one_line(tmp_path: Path, answers: tuple[str, dict[str, object]]) -> None:
    address, by_path = answers
    for wrong in (None, ["no table"], {"info": {}}):
        by_path["/good/1.0/json"] = wrong
        code, said = audit(tmp_path, address)
        assert code == 0
        assert said.startswith("vulnerabilities: not asked, the index does not answer (")
        assert said.count("\n") == 1
    assert audit(tmp_path, "http://127.0.0.1:9")[1].startswith("vulnerabilities: not asked")
