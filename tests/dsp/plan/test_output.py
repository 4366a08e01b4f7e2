"""What stems are to be: there and back through the plan, and names that never meet."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp.errors import ParameterError, PlanError
from spillgate.dsp.plan import store
from spillgate.dsp.plan.model import Plan
from spillgate.dsp.plan.output import FORMATS, MARKERS, SUBTYPES, Output, output_of, stem_names, with_output

outputs = st.builds(
    Output,
    format=st.sampled_from(["", *FORMATS]),
    subtype=st.sampled_from(["", *SUBTYPES]),
    suffix=st.sampled_from(["", "_v2", " clean", ".ü"]),
    markers=st.sampled_from(["", *MARKERS]),
    removed=st.booleans(),
    split=st.booleans(),
    changed_only=st.booleans(),
    new_umid=st.booleans(),
)


@given(outputs)
@settings(max_examples=60, deadline=None)
def test_it_comes_back_from_the_plan_as_text(output):
    plan = store.from_json(store.to_json(with_output(Plan(figures={"gate": {}}), output)))
    assert output_of(plan) == output
    assert ("output" in plan.figures) == (output != Output())  # a plan without wishes does not speak of them
    assert with_output(plan, Output()).figures == {"gate": {}}


def test_a_key_of_another_version_is_named():
    with pytest.raises(PlanError, match=r"^plan: output has the unknown key 'suffiks'; did you mean 'suffix'\?$"):
        output_of(Plan(figures={"output": json.loads('{"suffiks": "x"}')}))


files = st.lists(
    st.tuples(st.sampled_from(["Tom", "tom", "OH", "OH_L", "Vox"]), st.sampled_from([".wav", ".WAV", ".flac", ".aif"])),
    min_size=1,
    max_size=5,
    unique=True,
)


@given(files, outputs, st.data())
@settings(max_examples=200, deadline=None)
def test_stems_never_share_a_name_but_channels_of_one_file(found, output, data):
    """On file systems that do not tell capitals from small letters either."""
    rows = []
    for stem, ending in found:
        drum, n = data.draw(st.booleans()), data.draw(st.integers(1, 3))
        places = ["left", "right", None] if n > 1 else [None]
        rows += [(f"{stem}{ending}:{c}", stem + ending, c, places[c], drum) for c in range(n)]
    refused = ""
    try:
        names = stem_names(rows, output)
    except ParameterError as error:
        refused = str(error)
    if refused:
        assert "two stems would have this name" in refused  # told, with both files, before anything is written
        return
    owners = {}
    for (file, channel), name in names.items():
        drum = next(r[4] for r in rows if r[1] == file)
        n = sum(r[1] == file for r in rows)
        alone = drum and output.split and n > 1
        owners.setdefault(name.casefold(), set()).add((file, channel if alone else -1))
        assert drum or name == file
        if drum and output.format:
            assert any(name.lower().endswith(e) for e in FORMATS[output.format])
    assert all(len(o) == 1 for o in owners.values())


@pytest.mark.parametrize(
    ("name", "chosen", "expected"),
    [
        ("Tom.wav", "", ".wav"),
        ("Tom.WAV", "wav", ".WAV"),
        ("Tom.bwf", "wav", ".bwf"),
        ("Tom.aiff", "aiff", ".aiff"),
        ("Tom.flac", "rf64", ".wav"),
        ("Tom", "flac", ".flac"),
    ],
)
def test_endings(name, chosen, expected):
    assert Output(format=chosen).ending(name) == expected
