"""Edits one after the other, all at once, and undone: always the bytes that the last state of the corrections gives."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from spillgate.cli.desk import Desk, open_desk
from spillgate.dsp.plan.corrections import Corrections
from spillgate.dsp.plan.model import Plan

TRACKS = ("03 Rack Tom.wav", "04 Floor Tom.wav")


def results(out: Path) -> dict[str, bytes]:
    """Everything the promise of the same bytes holds for."""
    return {
        str(p.relative_to(out)): p.read_bytes()
        for p in sorted(out.rglob("*"))
        if p.is_file() and p.name not in ("source.json", "corrections.toml")
    }


def rendered(desk: Desk, edits: dict[str, Any]) -> dict[str, bytes]:
    path = desk.out / "corrections.toml"
    path.write_text(Corrections.from_dict(edits).to_toml(), "utf-8")
    desk.render()
    return results(desk.out)


@pytest.fixture(scope="module")
def desk(finished_source: tuple[Path, Path]) -> Iterator[Desk]:
    with tempfile.TemporaryDirectory() as folder:
        out = Path(shutil.copytree(finished_source[1], Path(folder) / "out"))
        yield open_desk(out, workers=2)


def edit(plan: Plan) -> st.SearchStrategy[tuple[str, dict[str, Any]]]:
    def of(track: str) -> st.SearchStrategy[tuple[str, dict[str, Any]]]:
        hits = [round(h.time_s, 5) for h in plan.hits_of(track)] or [1.0]
        at, time = st.sampled_from(hits), st.floats(0.1, 3.5).map(lambda v: round(v, 5))
        row, judged = {"track": st.just(track)}, st.sampled_from(("keep", "leave out"))
        return st.one_of(
            st.tuples(st.just("hit"), st.fixed_dictionaries({**row, "time_s": at, "do": judged})),
            st.tuples(st.just("hit"), st.fixed_dictionaries({**row, "time_s": time, "do": st.just("add")})),
            st.tuples(
                st.just("hit"),
                st.tuples(at, st.sampled_from((-0.003, 0.002))).map(
                    lambda v: {"track": track, "time_s": v[0], "do": "move", "to_s": round(v[0] + v[1], 5)}
                ),
            ),
            st.tuples(
                st.just("hit"),
                st.tuples(at, st.floats(0.05, 0.4)).map(
                    lambda v: {"track": track, "time_s": v[0], "do": "ring", "ring_until_s": round(v[0] + v[1], 5)}
                ),
            ),
            st.tuples(
                st.just("span"),
                st.tuples(time, st.floats(0.01, 0.5), st.sampled_from(("keep", "silence"))).map(
                    lambda v: {"track": track, "from_s": v[0], "to_s": round(v[0] + v[1], 5), "do": v[2]}
                ),
            ),
            st.tuples(
                st.just("parameter"),
                st.sampled_from((("floor_db", -18.0), ("hold_ms", 40.0), ("ring", 2.0))).map(
                    lambda v: {"track": track, "processor": "gate", "name": v[0], "value": v[1]}
                ),
            ),
            st.tuples(
                st.just("delay"),
                st.tuples(st.sampled_from((0.0, 10.0, -3.25)), st.sampled_from((1, -1))).map(
                    lambda v: {"track": track, "samples": v[0], "polarity": v[1]}
                ),
            ),
        )  # fmt: skip

    return st.sampled_from(TRACKS).flatmap(of)


@settings(max_examples=6, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_any_sequence_of_edits_is_the_same_as_all_at_once(desk: Desk, data: st.DataObject) -> None:
    untouched = rendered(desk, {"schema": 1})
    edits: dict[str, Any] = {"schema": 1}
    states = [untouched]
    for table, row in data.draw(st.lists(edit(desk.plan), min_size=1, max_size=3)):
        edits = {**edits, table: [*edits.get(table, []), row]}
        states.append(rendered(desk, edits))
    # the same corrections given once, to a desk that has seen nothing before
    with tempfile.TemporaryDirectory() as folder:
        out = Path(shutil.copytree(desk.out, Path(folder) / "out"))
        for file in out.rglob("*"):
            if file.is_file() and file.name not in ("source.json", "plan.json", "corrections.toml"):
                file.unlink() if file.parent.name in ("stems", "previews") else None
        at_once = rendered(open_desk(out), edits)
    links = {"report.html"}  # its links are relative to where it lies
    assert {k: v for k, v in at_once.items() if k not in links} == {
        k: v for k, v in states[-1].items() if k not in links
    }
    assert rendered(desk, {"schema": 1}) == untouched, "undo must restore every byte"


def test_corrections_saved_and_read_again_are_the_same(desk: Desk) -> None:
    @settings(max_examples=60, deadline=None, derandomize=True)
    @given(st.lists(edit(desk.plan), max_size=6))
    def check(rows: list[tuple[str, dict[str, Any]]]) -> None:
        import tomllib

        edits: dict[str, Any] = {"schema": 1}
        for table, row in rows:
            edits.setdefault(table, []).append(row)
        corrections = Corrections.from_dict(edits)
        assert Corrections.from_dict(tomllib.loads(corrections.to_toml())) == corrections
        assert Corrections.from_dict(corrections.to_dict()) == corrections

    check()


def test_the_example_in_the_readme_is_read_as_it_stands() -> None:
    import tomllib

    text = (Path(__file__).resolve().parents[2] / "README.md").read_text("utf-8")
    example = text.split("```toml\n[[hit]]", 1)[1].split("```", 1)[0]
    edits = Corrections.from_dict(tomllib.loads("[[hit]]" + example))
    assert [len(getattr(edits, k)) for k in ("hits", "spans", "parameters", "delays", "roles")] == [1] * 5
