"""The plan as files: there and back, the same bytes, and every way the files can be wrong."""

import dataclasses
import io
import json
import os
import struct
import zipfile

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp.errors import OutputError, PlanError
from spillgate.dsp.plan import store
from spillgate.dsp.plan.model import (
    Alignment,
    DrumState,
    Finding,
    Hit,
    Plan,
    Question,
    Span,
    StepSpec,
    TrackFacts,
)

words = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=8)
numbers = st.floats(allow_nan=False, allow_infinity=False)
counts = st.integers(-(2**53), 2**53)
plain = st.recursive(
    st.none() | st.booleans() | counts | numbers | words,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(words, inner, max_size=3),
    max_leaves=6,
)
by_name = {
    "float": numbers,
    "int": counts,
    "str": words,
    "bool": st.booleans(),
    "str | None": st.none() | words,
    "float | None": st.none() | numbers,
    "tuple[str, ...]": st.lists(words, max_size=3).map(tuple),
    "tuple[float, ...]": st.lists(numbers, max_size=4).map(tuple),
    "Confidence": st.sampled_from(["sure", "likely", "unsure"]),
    "Severity": st.sampled_from(["mend", "advise", "note"]),
    "Mapping[str, Json]": st.dictionaries(words, plain, max_size=3),
    "Mapping[str, str]": st.dictionaries(words, words, max_size=3),
}


def records(cls):
    fields = {f.name: by_name[f.type] for f in dataclasses.fields(cls)}
    return st.lists(st.builds(cls, **fields), max_size=3).map(tuple)


arrays = st.dictionaries(
    st.tuples(st.sampled_from(["gate", "spill"]), words.filter(lambda w: w and "\0" not in w)).map("/".join),
    st.tuples(st.sampled_from(["<f8", "<f4", "|u1", "<u2", "<i8", "|b1"]), st.lists(st.integers(0, 3), max_size=3)).map(
        lambda a: np.ones(a[1], a[0])
    ),
    max_size=4,
)
plans = st.builds(
    Plan,
    sr=counts,
    n_samples=counts,
    tracks=records(TrackFacts),
    chain=st.lists(by_name["Mapping[str, Json]"], max_size=2).map(tuple),
    drums=records(DrumState),
    hits=records(Hit),
    spans=records(Span),
    alignments=records(Alignment),
    steps=st.dictionaries(words, records(StepSpec), max_size=2),
    questions=records(Question),
    findings=records(Finding),
    figures=by_name["Mapping[str, Json]"],
    extras=by_name["Mapping[str, Json]"],
    arrays=arrays,
)


def same(a, b):
    for f in dataclasses.fields(Plan):
        if f.name != "arrays":
            assert getattr(a, f.name) == getattr(b, f.name), f.name
    assert set(a.arrays) == set(b.arrays)
    for name in a.arrays:
        assert a.arrays[name].dtype == b.arrays[name].dtype
        assert np.array_equal(a.arrays[name], b.arrays[name])


@given(plans)
@settings(max_examples=60, deadline=None)
def test_there_and_back(tmp_path_factory, plan):
    out = tmp_path_factory.getbasetemp() / "plan"
    store.save(plan, out)
    same(store.load(out), plan)
    assert store.to_json(store.load(out)) == (out / "plan.json").read_text(encoding="utf-8")


def test_no_field_of_the_plan_is_forgotten():
    kept = json.loads(store.to_json(Plan()))
    assert {f.name for f in dataclasses.fields(Plan)} | {"schema"} == set(kept)


PLAN = Plan(
    sr=48_000,
    hits=(Hit(track="Tom.wav", drum="tom1", time_s=0.1 + 0.2, level_db=-3.0, confidence=0.99),),
    steps={"b.wav": (StepSpec(step="move"),), "a.wav": (StepSpec(step="move", params={"delay_samples": 2.5}),)},
    figures={"gate": {"Tom.wav": {"spans": [[0.1, np.float64(0.5)]], "n": np.int64(3), "ok": np.bool_(True)}}},
    arrays={"gate/x": np.arange(6, dtype=np.uint8).reshape(2, 3), "spill/y": np.linspace(0, 1, 5)},
)


def files(out):
    return {str(p.relative_to(out)): p.read_bytes() for p in sorted(out.rglob("*")) if p.is_file()}


def test_the_same_plan_gives_the_same_bytes(tmp_path):
    store.save(PLAN, tmp_path / "1")
    turned = PLAN.replace(
        steps=dict(reversed(PLAN.steps.items())),
        arrays={n: np.asfortranarray(a) for n, a in reversed(PLAN.arrays.items())},
    )
    os.environ["TZ"] = "Asia/Tokyo"
    try:
        store.save(turned, tmp_path / "2")
    finally:
        del os.environ["TZ"]
    assert files(tmp_path / "1") == files(tmp_path / "2")
    assert set(files(tmp_path / "1")) == {"plan.json", "model/gate.npz", "model/spill.npz"}


def test_numpy_opens_the_arrays_and_json_the_plan(tmp_path):
    # independent readers: numpy.load and the json module
    store.save(PLAN, tmp_path)
    with np.load(tmp_path / "model/gate.npz") as held:
        assert held.files == ["gate/x"]
        assert np.array_equal(held["gate/x"], [[0, 1, 2], [3, 4, 5]])
    entry = json.loads((tmp_path / "plan.json").read_text())
    assert entry["hits"][0]["time_s"] == 0.30000000000000004
    assert entry["figures"]["gate"]["Tom.wav"] == {"spans": [[0.1, 0.5]], "n": 3, "ok": True}
    assert entry["schema"] == 1


def test_what_a_processor_left_before_is_removed(tmp_path):
    store.save(PLAN, tmp_path)
    store.save(PLAN.replace(arrays={"gate/x": PLAN.arrays["gate/x"]}), tmp_path)
    assert sorted(files(tmp_path)) == ["model/gate.npz", "plan.json"]


@pytest.mark.parametrize(
    ("plan", "said"),
    [
        (Plan(figures={"gate": {"a": float("nan")}}), r"^plan: figures holds NaN or infinity"),
        (Plan(extras={"theirs": {"a": {1, 2}}}), r"^plan: extras\.theirs\.a holds a set, which is no plain data$"),
        (Plan(figures={"gate": {3: "a"}}), r"^plan: figures\.gate has the key 3; keys are texts$"),
        (Plan(arrays={"x": np.zeros(1)}), r"^plan: the array 'x' must be called '<processor>/<name>'$"),
        (Plan(arrays={"../x/y": np.zeros(1), "a/b": np.zeros(1)}), r"must be called '<processor>/<name>'$"),
        (Plan(arrays={"a/b\0c": np.zeros(1)}), r"must be called '<processor>/<name>'$"),
        (Plan(arrays={"a/b": np.array([None])}), r"^plan: the array 'a/b' holds Python objects"),
    ],
)
def test_what_cannot_be_stored_is_refused_before_anything_is_written(tmp_path, plan, said):
    with pytest.raises(PlanError, match=said):
        store.save(plan, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def edited(**changes):
    return json.dumps({**json.loads(store.to_json(PLAN.replace(arrays={}))), **changes})


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", r"^plan\.json: is no JSON \([^\n]+\); run the main job again$"),
        ("[]", r"^plan\.json: is no plan; run the main job again$"),
        (edited(schema=2), r"^plan\.json: schema 2 is not known to this version, which reads 1; use the version"),
        (edited(hitz=[]), r"^plan\.json: unknown key 'hitz'; did you mean 'hits'\?$"),
        (edited(hits=[{"trak": "a"}]), r"^plan\.json: hits has the unknown key 'trak'; did you mean 'track'\?$"),
        (edited(hits=[{"track": "a"}]), r"^plan\.json: a record of hits is incomplete \([^\n]+\)$"),
        (edited(hits=[3]), r"^plan\.json: hits holds 3 instead of a record$"),
        (
            edited(arrays={"gate/x": {"dtype": "|u1", "shape": [2, 3]}}),
            r"^plan\.json: its array 'gate/x' is not in model; run the main job again$",
        ),
    ],
)
def test_files_that_are_wrong(tmp_path, text, said):
    (tmp_path / "plan.json").write_text(text)
    with pytest.raises(PlanError, match=said):
        store.load(tmp_path)


def test_arrays_that_are_wrong(tmp_path):
    store.save(PLAN, tmp_path)
    np.savez(tmp_path / "model/gate.npz", **{"gate/x": np.zeros(3)})
    with pytest.raises(PlanError, match=r"^plan\.json: the array 'gate/x' in model is not the one it was saved with$"):
        store.load(tmp_path)
    (tmp_path / "model/gate.npz").write_bytes(b"PK no archive")
    with pytest.raises(PlanError, match=r"^gate\.npz: cannot be read \([^\n]+\); run the main job again$"):
        store.load(tmp_path)


def test_no_plan_and_no_place(tmp_path):
    with pytest.raises(PlanError, match=r": holds no plan\.json; give the output folder of a run$"):
        store.load(tmp_path)
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(OutputError, match=r"file: cannot be made \((Not a directory|File exists)\)"):
        store.save(PLAN, tmp_path / "file")


def saved(tmp_path):
    hit = Hit(track="Tom.wav", drum="tom1", time_s=1.0, level_db=0.0, confidence=1.0)
    step = StepSpec(step="mask", arrays={"gain": "gate/x"}, by="gate")
    store.save(Plan(sr=48000, hits=(hit,), steps={"Tom.wav": (step,)}, arrays={"gate/x": np.arange(4.0)}), tmp_path)
    return json.loads((tmp_path / "plan.json").read_text())


STEM = {
    **{"file": "Tom.wav", "copied": False, "written": True, "removed_file": "", "notes": [], "steps": []},
    **{"peak_in": 0.5, "peak_out": 0.5, "removed_db": None},
}


@pytest.mark.parametrize(
    ("where", "value", "said"),
    [
        (("hits",), 5, "hits is 5"),
        (("hits", 0, "time_s"), "1.0", "hits: time_s is '1.0'"),
        (("hits", 0, "time_s"), float("nan"), "hits: time_s is nan"),
        (("hits", 0, "track"), None, "hits: track is None"),
        (("sr",), True, "sr is True"),
        (("sr",), 10**30, "beyond 64 bits"),
        (("steps",), [], "steps is \\[\\]"),
        (("steps", "Tom.wav"), "mask", "steps is {'Tom.wav': 'mask'}"),
        (("steps", "Tom.wav", 0, "arrays"), {"gain": 1}, "steps: arrays is"),
        (("figures",), "x" * 5000, "figures is 'xxx"),
        (("figures", "render"), {"tracks": {"Tom.wav": [STEM | {"notes": True}]}}, "figures of render: notes is True"),
        (("figures", "render"), {"tracks": {"Tom.wav": [STEM | {"overs": "3"}]}}, "figures of render: overs is '3'"),
        (("figures", "render"), {"tracks": {"Tom.wav": [{"file": "Tom.wav"}]}}, "figures of render: copied is None"),
        (("arrays", "gate/x"), 7, "is not the one it was saved with"),
        (("arrays",), 1.5, "arrays is 1.5"),
    ],
)
def test_values_of_another_kind_are_named(tmp_path, where, value, said):
    data = saved(tmp_path)
    inner = data
    for key in where[:-1]:
        inner = inner[key]
    inner[where[-1]] = value
    (tmp_path / "plan.json").write_text(json.dumps(data))
    with pytest.raises(PlanError, match=said) as caught:
        store.load(tmp_path)
    assert len(str(caught.value)) < 300


def archive_of(tmp_path, data, how=zipfile.ZIP_STORED):
    saved(tmp_path)
    with zipfile.ZipFile(tmp_path / "model" / "gate.npz", "w", how) as archive:
        archive.writestr("gate/x.npy", data)


@pytest.mark.parametrize("shape", ["(1000000000000,)", "(3,)", "(-4,)", "(2, 2, 2)", "(0, 99999999999)"])
def test_arrays_that_promise_what_they_do_not_hold(tmp_path, shape):
    head = f"{{'descr': '<f8', 'fortran_order': False, 'shape': {shape}, }}\n".encode()
    archive_of(tmp_path, b"\x93NUMPY\x01\x00" + struct.pack("<H", len(head)) + head + bytes(32))
    with pytest.raises(PlanError, match="does not hold what its header says"):
        store.load(tmp_path)


def test_arrays_that_unpack_to_more_than_the_file(tmp_path):
    stream = io.BytesIO()
    np.lib.format.write_array(stream, np.zeros(1_000_000))
    archive_of(tmp_path, stream.getvalue(), zipfile.ZIP_DEFLATED)
    with pytest.raises(PlanError, match="is not stored as it is"):
        store.load(tmp_path)


def test_plans_nested_without_end(tmp_path):
    saved(tmp_path)
    (tmp_path / "plan.json").write_text('{"schema": 1, "extras": ' + "[" * 100_000)
    with pytest.raises(PlanError, match="too deeply nested"):
        store.load(tmp_path)
