"""A chain is a fold over processors and survives plain data."""

from __future__ import annotations

import dataclasses
import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spillgate.cli.options import build_chain, chain_toml, read_chain
from spillgate.dsp import Chain, Plan, Processor, Take, Track, params, registry
from spillgate.dsp.chain import DEFAULT
from spillgate.dsp.errors import ChainError, ParameterError, PlanError, PluginError
from spillgate.dsp.take.model import AudioFile

BUILT_INS = tuple(registry.PROCESSORS)


def values(parameter: params.Parameter) -> st.SearchStrategy[Any]:
    """Everything a declared parameter admits."""
    c = parameter.constraint
    if isinstance(c, params.Choice):
        made: st.SearchStrategy[Any] = st.sampled_from(c.options)
    elif isinstance(c, params.Flag):
        made = st.booleans()
    elif parameter.type is int:
        made = st.integers(int(c.low), int(c.high))
    else:
        made = st.floats(c.low, c.high)
    return made | st.none() if parameter.optional else made


def settings_of(name: str) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries(
        {}, optional={p.name: values(p) for p in params.parameters(registry.get_processor(name))}
    )


@st.composite
def chains(draw: st.DrawFn) -> Chain:
    made = []
    for name in DEFAULT:
        own = draw(settings_of(name))
        tracks = draw(
            st.dictionaries(st.sampled_from(("Floor.wav", "OH.wav:1", "tom 1 “a”")), settings_of(name), max_size=2)
        )
        made.append(registry.get_processor(name)(tracks={t: v for t, v in tracks.items() if v}, **own))
    return Chain(processors=tuple(made))


@given(chains())
def test_through_json_and_back(chain: Chain) -> None:
    assert Chain.from_dict(json.loads(json.dumps(chain.to_dict()))).to_dict() == chain.to_dict()


@given(chains())
def test_through_toml_and_back(chain: Chain) -> None:
    assert build_chain([], [], tomllib.loads(chain_toml(chain))).to_dict() == chain.to_dict()


@pytest.mark.parametrize("name", BUILT_INS)
def test_ends_of_each_range_are_allowed_and_nothing_beyond(name: str) -> None:
    cls = registry.get_processor(name)
    for p in params.parameters(cls):
        if isinstance(p.constraint, params.Range):
            for end, beyond in ((p.constraint.low, -1.0), (p.constraint.high, 1.0)):
                assert getattr(cls(**{p.name: end}), p.name) == end
                with pytest.raises(ParameterError, match=f"{name}.{p.name}: "):
                    cls(**{p.name: end + beyond * max(abs(end), 1.0) * 1e-6})


@pytest.mark.parametrize("name", BUILT_INS)
def test_every_parameter_has_a_line_for_people(name: str) -> None:
    cls = registry.get_processor(name)
    assert cls.summary
    assert [p.name for p in params.parameters(cls) if not p.help] == []


@dataclass(frozen=True, kw_only=True)
class Note(Processor):
    """Write its own name into the plan."""

    name: ClassVar[str] = "note"
    gives: ClassVar[frozenset[str]] = frozenset({"note"})

    def decide(self, take: Take, plan: Plan) -> Plan:
        return plan.replace(extras={**plan.extras, "said": (*plan.extras.get("said", ()), self.name)})


@dataclass(frozen=True, kw_only=True)
class Second(Note):
    name: ClassVar[str] = "second"
    needs: ClassVar[frozenset[str]] = frozenset({"note"})
    gives: ClassVar[frozenset[str]] = frozenset()


@dataclass(frozen=True, kw_only=True)
class Broken(Processor):
    name: ClassVar[str] = "broken"

    def decide(self, take: Take, plan: Plan) -> Plan:
        raise KeyError("nothing there")


@pytest.fixture
def take(tmp_path: Any) -> Take:
    names = ("Kick.wav", "Floor.wav")
    files = [AudioFile(path=tmp_path / n, name=n, sr=48_000, n_channels=1, n_samples=100, format="WAV", subtype="FLOAT")
             for n in names]  # fmt: skip
    tracks = [
        Track(id=f.name, files=(f,), role=r, drum=d)
        for f, r, d in zip(files, ("kick", "tom"), ("kick", "floor"), strict=True)
    ]
    return Take.from_arrays(tracks, {n: np.full(100, 0.25) for n in names}, 48_000)


def test_processors_run_in_order_and_are_recorded(take: Take) -> None:
    plan = Chain(processors=(Note(), Second())).decide(take)
    assert plan.extras["said"] == ("note", "second")
    assert [r["processor"] for r in plan.chain] == ["note", "second"]
    assert [f.peak for f in plan.tracks] == [0.25, 0.25]


def test_a_chain_is_a_processor(take: Take) -> None:
    inner: Processor = Chain(processors=(Note(),))
    assert isinstance(inner, Processor)
    assert inner.decide(take, Plan()).extras["said"] == ("note",)


def test_an_empty_chain_decides_nothing(take: Take) -> None:
    plan = Chain().decide(take)
    assert plan.steps == {}
    assert [f.track for f in plan.tracks] == ["Kick.wav", "Floor.wav"]


@pytest.mark.parametrize(
    ("processors", "line"),
    [
        ((Second(),), "second: needs note; no processor of ours gives that"),
        ((Note(), Note()), "note: stands in the chain twice; name it once"),
    ],
)
def test_a_chain_that_does_not_fit_is_refused_before_audio_is_read(
    processors: tuple[Processor, ...], line: str
) -> None:
    with pytest.raises(ChainError) as caught:
        Chain(processors=processors)
    assert str(caught.value) == line


def test_gate_without_hits_says_what_gives_them() -> None:
    with pytest.raises(ChainError, match=r"^gate: needs hits; put detect before it$"):
        Chain.from_names(["gate"])


@pytest.mark.parametrize(
    ("entry", "line"),
    [
        ({"chian": []}, "chain: unknown key 'chian'; did you mean 'chain'?"),
        ({"schema": 99}, "chain: schema 99 is not known to this version; it reads 1"),
        ({"chain": [{}]}, "chain: every entry needs the key 'processor'"),
        ({"chain": ["gate"]}, "chain: every entry needs the key 'processor'"),
        (
            {"chain": [{"processor": "detect", "parms": {}}]},
            "detect: unknown key 'parms'; did you mean 'params'?",
        ),
        ({"chain": [{"processor": "detekt"}]}, "detekt: no such processor is installed; did you mean 'detect'?"),
        ({"chain": 5}, "chain: 5 is no list of processors"),
        ({"chain": [{"processor": 5}]}, "chain: processor 5 is no name"),
        ({"chain": [{"processor": "gate", "params": 5}]}, "gate: params is 5, but must be a table of parameters"),
        (
            {"chain": [{"processor": "gate", "tracks": {"Floor.wav": -9}}]},
            "gate: tracks.Floor.wav is -9, but must be a table of parameters",
        ),
        (
            {"chain": [{"processor": "detect"}, {"processor": "gate", "params": {"flor_db": -9}}]},
            "gate: unknown parameter 'flor_db'; did you mean 'floor_db'?",
        ),
        (
            {"chain": [{"processor": "detect"}, {"processor": "gate", "tracks": {"Floor.wav": {"flor_db": -9}}}]},
            "Floor.wav:gate: unknown parameter 'flor_db'; did you mean 'floor_db'?",
        ),
    ],
)
def test_a_chain_file_with_a_slip(entry: Mapping[str, Any], line: str) -> None:
    with pytest.raises(ParameterError) as caught:
        Chain.from_dict(entry)
    assert str(caught.value) == line


def test_a_track_that_is_not_there_is_named(take: Take) -> None:
    chain = Chain(processors=(Note(tracks={"Flor.wav": {}}),))
    with pytest.raises(ParameterError, match=r"^Flor\.wav: no such track in take; did you mean 'Floor\.wav'\?$"):
        chain.decide(take)


def test_a_fault_of_our_own_is_not_hidden(take: Take) -> None:
    with pytest.raises(KeyError, match="nothing there"):
        Chain(processors=(Broken(),)).decide(take)


def test_a_fault_of_a_plug_in_names_its_distribution(take: Take, monkeypatch: pytest.MonkeyPatch) -> None:
    theirs = {**registry.listing(), "broken": registry.Entry("broken", "x:Broken", "kit-extra", "0.3")}
    monkeypatch.setattr(registry, "listing", lambda kind="processor": theirs)
    with pytest.raises(PluginError, match=r"^kit-extra: processor 'broken' failed \(KeyError: 'nothing there'\)$"):
        Chain(processors=(Broken(),)).decide(take)


def test_parameters_of_one_track_win_over_those_of_all(take: Take) -> None:
    gate = registry.get_processor("gate")
    made = gate(floor_db=-9.0, tracks={"floor": {"floor_db": -18.0}})
    kick, floor = take.tracks
    assert made.for_track(floor).floor_db == -18.0
    assert made.for_track(kick).floor_db == -9.0
    listed = dataclasses.replace(kick, parameters={"gate": {"floor_db": -30.0}})
    assert made.for_track(listed).floor_db == -30.0


@pytest.mark.parametrize(
    ("parameters", "line"),
    [
        ({"gaet": {"floor_db": -9}}, "Floor.wav: parameters of 'gaet', but no such processor; did you mean 'gate'?"),
        ({"note": {"x": 1}}, "Floor.wav: note: unknown parameter 'x'; none is known"),
    ],
)
def test_a_slip_in_the_input_list_is_found_before_audio_is_read(
    take: Take, parameters: Mapping[str, Any], line: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    known = {**registry.listing(), "note": registry.Entry("note", "x:Note", "kit-extra", "0.3")}
    monkeypatch.setattr(registry, "listing", lambda kind="processor": known)
    slipped = take.replace(tracks=(take.tracks[0], dataclasses.replace(take.tracks[1], parameters=parameters)))
    with pytest.raises((ParameterError, PlanError)) as caught:
        Chain(processors=(Note(),)).decide(slipped.replace(reader=None))
    assert str(caught.value) == line


CHAIN = """
# the whole song
schema = 1

[[chain]]
processor = "detect"  # as it comes

[[chain]]
processor = "gate"
[chain.params]
floor_db = "off"
ring = 0.4  # keeps more
[chain.tracks."Floor Tom.wav"]
floor_db = -9
"""


def test_a_chain_file_with_comments_and_single_tracks_is_printed_exactly(tmp_path: Path) -> None:
    (tmp_path / "chain.toml").write_text(CHAIN, "utf-8")
    chain = build_chain([], [], read_chain(tmp_path / "chain.toml"))
    detect, gate = chain.processors
    assert (detect.name, gate.name) == ("detect", "gate")
    assert (gate.ring, gate.floor_db, dict(gate.tracks["Floor Tom.wav"])) == (0.4, None, {"floor_db": -9.0})
    printed = chain_toml(chain)
    told = tomllib.loads(printed)
    assert told["schema"] == 1
    # every parameter of every processor, whether set or not
    for entry in told["chain"]:
        cls = registry.get_processor(entry["processor"])
        assert sorted(entry["params"]) == sorted(p.name for p in params.parameters(cls))
    (tmp_path / "printed.toml").write_text(printed, "utf-8")
    again = build_chain([], [], read_chain(tmp_path / "printed.toml"))
    assert (again.to_dict(), chain_toml(again)) == (chain.to_dict(), printed)


def test_an_error_in_a_chain_file_names_the_file(tmp_path: Path) -> None:
    path = tmp_path / "chain.toml"
    path.write_text(CHAIN.replace("ring =", "rign ="), "utf-8")
    with pytest.raises(ParameterError) as caught:
        read_chain(path)
    assert str(caught.value) == f"{path}: gate: unknown parameter 'rign'; did you mean 'ring'?"
