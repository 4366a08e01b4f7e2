"""Every built-in keeps the contract that third parties are held to; and the contract catches who does not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar

import numpy as np
import pytest
from numpy.typing import NDArray

from spillgate.dsp import Context, Plan, Processor, Step, Take, registry, testing
from spillgate.dsp.core.cleaning.bandgrid import grid
from spillgate.dsp.params import Range
from spillgate.dsp.plan import StepSpec

N = 30_000


def _mask_arrays() -> dict[str, NDArray[Any]]:
    g = grid(testing.SR)
    gains = np.random.default_rng(1).integers(0, 65536, (g.n_frames(N), g.n_bands), np.uint16)
    gains[10:14], gains[20:24] = 0, 65535
    return {"gains": gains, "cuts": np.array([5000, 5300, 20_000], np.int64)}


STEPS: dict[str, list[tuple[dict[str, Any], Mapping[str, NDArray[Any]]]]] = {
    "mask": [({}, _mask_arrays())],
    "move": [
        ({"delay_samples": d, "polarity": p}, {}) for d, p in ((0.0, 1), (7.0, -1), (-7.0, 1), (12.3, 1), (-12.3, -1))
    ],
    "offset": [({"offset": 0.01}, {})],
    "low-cut": [({"cut_hz": 10.0}, {}), ({"cut_hz": 500.0}, {})],
}
"""What each step is tried with."""


@pytest.mark.parametrize("name", registry.PROCESSORS)
def test_built_in_processors(name: str) -> None:
    testing.check_processor(registry.get_processor(name))


@pytest.mark.parametrize(("name", "case"), [(n, k) for n in STEPS for k in range(len(STEPS[n]))])
def test_built_in_steps(name: str, case: int) -> None:
    values, arrays = STEPS[name][case]
    testing.check_step(registry.get_step(name)(**values), arrays, n_samples=N)


def test_no_built_in_step_is_left_out() -> None:
    assert sorted(STEPS) == sorted(registry.STEPS)


# What follows breaks one promise each.


@dataclass(frozen=True, kw_only=True)
class Fair(Processor):
    """Breaks none."""

    name: ClassVar[str] = "fair"
    summary: ClassVar[str] = "an example"

    by_db: Annotated[float, Range(0.0, 6.0, unit="dB", help="how far")] = 1.0

    def decide(self, take: Take, plan: Plan) -> Plan:
        steps = {t.id: (StepSpec(step="offset", params={"offset": self.by_db / 60}),) for t in take.of_role("tom")}
        return plan.with_steps(self.name, steps)


@dataclass(frozen=True, kw_only=True)
class Nameless(Fair):
    summary: ClassVar[str] = ""


@dataclass(frozen=True, kw_only=True)
class Unhelpful(Fair):
    by_db: Annotated[float, Range(0.0, 6.0)] = 1.0


@dataclass(frozen=True, kw_only=True)
class Undeclared(Fair):
    by_db: float = 1.0


class Bare(Fair):
    """Derived, but no dataclass of its own."""


@dataclass(frozen=True, kw_only=True)
class Empty(Fair):
    def decide(self, take: Take, plan: Plan) -> Any:
        return None


@dataclass(frozen=True, kw_only=True)
class Meddler(Fair):
    def decide(self, take: Take, plan: Plan) -> Plan:
        return plan.replace(alignments=("moved",))  # type: ignore[arg-type]


COUNT = [0]


@dataclass(frozen=True, kw_only=True)
class Forgetful(Fair):
    def decide(self, take: Take, plan: Plan) -> Plan:
        COUNT[0] += 1
        return plan.with_figures(self.name, {"n": COUNT[0]})


@dataclass(frozen=True, kw_only=True)
class Writer(Fair):
    def decide(self, take: Take, plan: Plan) -> Plan:
        x: Any = take.reader
        for cell in x.__closure__ or ():
            if isinstance(cell.cell_contents, dict):
                next(iter(cell.cell_contents.values()))[:1] += 1.0
        return plan


@dataclass(frozen=True, kw_only=True)
class Stepless(Fair):
    def decide(self, take: Take, plan: Plan) -> Plan:
        return plan.with_steps(self.name, {take.tracks[0].id: (StepSpec(step="nowhere"),)})


@dataclass(frozen=True, kw_only=True)
class Lost(Fair):
    def decide(self, take: Take, plan: Plan) -> Plan:
        return plan.with_steps(self.name, {"nowhere.wav": (StepSpec(step="offset"),)})


@dataclass(frozen=True, kw_only=True)
class Arrayless(Fair):
    def decide(self, take: Take, plan: Plan) -> Plan:
        return plan.with_steps(self.name, {take.tracks[0].id: (StepSpec(step="mask", arrays={"gains": "fair/g"}),)})


@dataclass(frozen=True, kw_only=True)
class Brittle(Fair):
    def decide(self, take: Take, plan: Plan) -> Plan:
        assert self.by_db < 6.0, "cannot do its own upper end"
        return plan


@pytest.mark.parametrize(
    ("cls", "said"),
    [
        (Nameless, "fair: has no summary"),
        (Unhelpful, "fair.by_db: has no help text"),
        (Undeclared, "fair.by_db: annotate it with Range, Choice or Flag"),
        (Bare, "fair: is no frozen dataclass"),
        (Empty, "fair on three drums: gave NoneType, not a plan"),
        (Meddler, "fair on three drums: changes the plan's alignments, but does not give 'delays'"),
        (Forgetful, "fair on three drums: two runs differ"),
        (Writer, r"fair on three drums: kick\.wav was written to"),
        (Stepless, "nowhere: no such step is installed"),
        (Lost, "fair on three drums: asks for steps on 'nowhere.wav', which is no track"),
        (Arrayless, "fair on three drums: step mask names the array 'fair/g', which is not there"),
        (Brittle, "cannot do its own upper end"),
    ],
)
def test_a_processor_that_breaks_a_promise_is_caught(cls: type[Processor], said: str) -> None:
    with pytest.raises(AssertionError, match=said):
        testing.check_processor(cls)


def test_a_processor_that_keeps_them_passes() -> None:
    testing.check_processor(Fair)
    testing.check_processor(Fair, testing.small_take(0.5, seed=4))


@dataclass(frozen=True, kw_only=True)
class Plain(Step):
    """Breaks no promise."""

    name: ClassVar[str] = "plain"
    summary: ClassVar[str] = "an example"

    def apply(self, block: NDArray[np.float64], context: Context) -> NDArray[np.float64]:
        return 0.5 * block


@dataclass(frozen=True, kw_only=True)
class InPlace(Plain):
    def apply(self, block: NDArray[np.float64], context: Context) -> NDArray[np.float64]:
        block *= 0.5
        return block


@dataclass(frozen=True, kw_only=True)
class Short(Plain):
    def apply(self, block: NDArray[np.float64], context: Context) -> NDArray[np.float64]:
        return block[:-1]


@dataclass(frozen=True, kw_only=True)
class Single(Plain):
    def apply(self, block: NDArray[np.float64], context: Context) -> Any:
        return block.astype(np.float32)


@dataclass(frozen=True, kw_only=True)
class Endless(Plain):
    def apply(self, block: NDArray[np.float64], context: Context) -> NDArray[np.float64]:
        with np.errstate(all="ignore"):
            y: NDArray[np.float64] = block / np.float64(0.0)
        return y


@dataclass(frozen=True, kw_only=True)
class ByBlock(Plain):
    def apply(self, block: NDArray[np.float64], context: Context) -> NDArray[np.float64]:
        return block / (np.abs(block).max() + 1.0)


@dataclass(frozen=True, kw_only=True)
class Backward(Plain):
    def margins(self, sr: int) -> tuple[int, int]:
        return -1, 0


@dataclass(frozen=True, kw_only=True)
class Elsewhere(Plain):
    stage: ClassVar[Any] = "later"


@dataclass(frozen=True, kw_only=True)
class Stateful(Plain):
    """Carries the last sample over: right in order, wrong in any other."""

    memory: ClassVar[dict[str, float]] = {}

    def apply(self, block: NDArray[np.float64], context: Context) -> NDArray[np.float64]:
        last = self.memory.get("last", 0.0) if context.start else 0.0
        self.memory["last"] = float(block[-1])
        return np.asarray(block - np.r_[last, block[:-1]], np.float64)


@pytest.mark.parametrize(
    ("step", "said"),
    [
        (InPlace(), "read-only"),
        (Short(), r"plain: gave the shape \(29999,\) where \(30000,\) was wanted"),
        (Single(), "plain: gave float32 where float64 was wanted"),
        (Endless(), "plain: gave NaN or infinity"),
        (ByBlock(), "plain on noise: blocks of 997 give other samples than one block"),
        (Stateful(), "plain on noise: blocks in another order give other samples"),
        (Backward(), "plain: margins"),
        (Elsewhere(), "plain: stage 'later' is none of repair, clean, treat, move"),
    ],
)
def test_a_step_that_breaks_a_promise_is_caught(step: Step, said: str) -> None:
    with pytest.raises((AssertionError, ValueError), match=said):
        testing.check_step(step)


def test_a_step_that_keeps_them_passes() -> None:
    testing.check_step(Plain())


def test_the_small_take_is_as_it_says() -> None:
    take = testing.small_take()
    # a stroke of 0.5 in the first tone's envelope: the first kick at 0.1 s, bleed 0.02 of it elsewhere
    kick, snare = (np.abs(take.read(take.track(n), 4800, 9600)).max() for n in ("kick", "snare"))
    assert 0.3 < kick < 1.0
    assert 0.01 < snare / kick < 0.03
    late = take.read(take.track("overhead left"), 4800 + 144, 9600)
    assert np.corrcoef(late, take.read(take.track("kick"), 4800, 9600 - 144))[0, 1] > 0.99
    assert [t.channel for t in testing.small_take(stereo=True).of_role("overhead")] == [0, 1]
    assert testing.small_take(0).n_samples == 1
    assert not testing.small_take(silent=True).read(take.track("kick")).any()
