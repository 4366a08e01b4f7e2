"""The report and the review page in a real browser, down to the bytes of the stems.

Marked ``browser``: they need Chromium and playwright; elsewhere than in CI they are left out where there is none.
"""

from __future__ import annotations

import json
import os
import shutil
import time
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import pytest
import soundfile

pytestmark = pytest.mark.browser

Serve = Callable[[Path], Any]
WANTED = bool(os.environ.get("CI") or os.environ.get("BROWSER_TESTS"))
CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--mute-audio"]
AXE = Path(os.environ.get("AXE_CORE", Path.home() / ".cache" / "spillgate-tests" / "node_modules" / "axe-core"))
TOM = "03 Rack Tom.wav"


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    if CHROMIUM is None and not WANTED:
        pytest.skip("no Chromium on this machine")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        running = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield running
        running.close()


@pytest.fixture
def visit(browser: Any) -> Iterator[Callable[..., Any]]:
    """Open a page; at the end nothing may have gone wrong in it, and nothing may have been asked of anybody else."""
    pages: list[tuple[Any, str, list[str], list[str]]] = []

    def opened(address: str, width: int = 1366, height: int = 800, **options: Any) -> Any:
        page = browser.new_page(viewport={"width": width, "height": height}, **options)
        wrong: list[str] = []
        asked: list[str] = []
        page.on("console", lambda m: wrong.append(m.text) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda e: wrong.append(str(e)))
        page.on("request", lambda r: asked.append(r.url))
        page.goto(address)
        page.set_default_timeout(15_000)
        pages.append((page, address, wrong, asked))
        page.allowed = []  # console messages a test provokes
        return page

    yield opened
    for page, address, wrong, asked in pages:
        assert [w for w in wrong if not any(a in w for a in page.allowed)] == []
        own = ("file://", "blob:", "data:") if address.startswith("file:") else (address, "blob:", "data:")
        assert [a for a in asked if not a.startswith(own)] == []
        page.context.close()


def told(page: Any, text: str) -> str:
    page.locator("#told").filter(has_text=text).wait_for()
    return str(page.inner_text("#told"))


def pick(page: Any, track: str, time_s: float) -> None:
    """Go to a place as the buttons do, and see that it is picked."""
    page.evaluate("([name, s]) => { const k = page.data.tracks.findIndex((t) => t.name === name); page.jump(k, s); }",
                  [track, time_s])  # fmt: skip
    page.locator("#picked").filter(has_text=Path(track).stem).wait_for()


def render(page: Any) -> str:
    page.evaluate("() => { document.getElementById('told').textContent = ''; }")
    page.click("#render")
    page.locator("#told").filter(has_text="Rendered:").or_(
        page.locator("#told").filter(has_text="Nothing to")
    ).wait_for()
    return str(page.inner_text("#told"))


def stems(out: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in (out / "stems").iterdir()}


def corrections(out: Path) -> Any:
    return tomllib.loads((out / "corrections.toml").read_text("utf-8"))


def test_every_edit_down_to_the_bytes_of_the_stem(finished: Path, serve: Serve, visit: Callable[..., Any]) -> None:
    from spillgate.cli.desk import open_desk

    untouched = stems(finished)
    with serve(finished) as (review, address):
        page = visit(address + "/")
        hits = [h.time_s for h in review.desk.plan.hits_of(TOM)]
        free = 3.6
        assert told(page, "0 corrections") == "0 corrections."

        def does(keys: list[str], where: float | None, table: str, **want: Any) -> None:
            before = stems(finished)
            if where is not None:
                pick(page, TOM, where)
            for key in keys:
                page.keyboard.press(key)
            told(page, "not saved yet")
            assert render(page) == f"Rendered: {TOM}."
            after = stems(finished)
            assert {n for n in after if after[n] != before[n]} == {TOM}
            row = corrections(finished)[table][-1]
            for name, value in want.items():
                assert row[name] == pytest.approx(value, abs=2e-5) if isinstance(value, float) else row[name] == value

        does(["x"], hits[0], "hit", track=TOM, time_s=hits[0], do="leave out")
        does(["a"], free, "hit", time_s=free, do="add")
        does(["]", "]", "]"], hits[1], "hit", do="move", time_s=hits[1], to_s=hits[1] + 0.003)
        does(["["], hits[1], "hit", do="move", to_s=hits[1] + 0.002)
        pick(page, TOM, hits[2] + 0.9)
        does(["r"], None, "hit", do="ring", time_s=hits[2], ring_until_s=hits[2] + 0.9)
        pick(page, TOM, 0.5)
        page.keyboard.press("i")
        pick(page, TOM, 0.6)
        does(["o", "s"], None, "span", do="keep", from_s=0.5, to_s=0.6)
        # a span with the mouse: shift and drag
        page.evaluate("() => page.setView(0, 4)")
        box = page.locator("#track-2 canvas.wave").bounding_box()
        page.keyboard.down("Shift")
        page.mouse.move(box["x"] + box["width"] * 0.5, box["y"] + 50)
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] * 0.52, box["y"] + 50, steps=3)
        page.mouse.up()
        page.keyboard.up("Shift")
        does(["d"], None, "span", do="silence")
        span = corrections(finished)["span"][-1]
        assert (span["from_s"], span["to_s"]) == pytest.approx((2.0, 2.08), abs=0.02)

        def sets(selector: str, action: Callable[[Any], None], table: str, **want: Any) -> None:
            box = page.locator(f"#track-2 {selector}")
            if not box.is_visible():
                page.locator("#track-2 details.settings summary").click()
            action(box)
            does([], None, table, **want)

        sets('input[data-name="floor_db"]', lambda b: (b.fill("-18"), b.press("Enter")), "parameter",
             track=TOM, processor="gate", name="floor_db", value=-18)  # fmt: skip
        sets("input.delay", lambda b: (b.fill("100.5"), b.press("Enter")), "delay", samples=100.5, polarity=1)
        sets("select.polarity", lambda b: b.select_option("-1"), "delay", samples=100.5, polarity=-1)

        # the same bytes as a desk gives that never saw the steps between
        other = Path(shutil.copytree(finished, finished.with_name("other")))
        shutil.rmtree(other / "stems")
        open_desk(other).render()
        assert stems(other) == stems(finished)

        # undone step by step, and done again
        last = stems(finished)
        for _ in range(12):
            page.keyboard.press("u")
        told(page, "0 corrections, not saved yet")
        assert render(page) == f"Rendered: {TOM}."
        assert stems(finished) == untouched
        for _ in range(12):
            page.keyboard.press("Control+y")
        render(page)
        assert stems(finished) == last


def test_a_question_is_answered_for_all_that_are_alike(finished: Path, serve: Serve, visit: Callable[..., Any]) -> None:
    from spillgate.dsp.plan import store
    from spillgate.dsp.plan.model import Question

    plan = store.load(finished)
    mine = plan.hits_of(TOM)
    asked = tuple(
        Question(code="detect.hit", text=f"Is {k} one?", track=TOM, time_s=h.time_s, weight=1.0 / (k + 1))
        for k, h in enumerate(mine)
    )
    store.save(plan.replace(questions=asked), finished)
    with serve(finished) as (_, address):
        page = visit(address + "/")
        item = page.locator("ol.questions li").first
        assert "Is 0 one?" in item.inner_text()
        assert f"({len(mine) - 1} more like it)" in item.inner_text()
        for h in (*mine, mine[0]):  # the keyboard goes through all of them, round and round
            page.keyboard.press("n")
            minutes, seconds = page.inner_text("#picked").split(", ")[1].split(":")
            assert 60 * int(minutes) + float(seconds) == pytest.approx(h.time_s, abs=1e-3)
        page.get_by_role("button", name=f"leave out all {len(mine)}, question 1").click()
        told(page, f"{len(mine)} corrections, not saved yet")
        assert render(page) == f"Rendered: {TOM}."
        assert [e["do"] for e in corrections(finished)["hit"]] == ["leave out"] * len(mine)
        assert store.load(finished).hits_of(TOM) == ()


def test_what_is_asked_stands_on_the_page_and_keys_answer_it(
    finished: Path, serve: Serve, visit: Callable[..., Any]
) -> None:
    from spillgate.dsp.plan import store
    from spillgate.dsp.plan.model import Question

    plan = store.load(finished)
    own = next(a for a in plan.alignments if a.track == TOM).measured_samples
    asked = (
        Question(code="align.delay", text="Its own delay?", track=TOM, weight=3.0),
        Question(code="detect.hit_left_out", text="Is there one at 3.6?", track=TOM, time_s=3.6, weight=2.0),
        Question(code="gate.doubtful", text="Was it played?", track=TOM, time_s=1.0, weight=1.0),
    )
    store.save(plan.replace(questions=asked), finished)
    with serve(finished) as (_, address):
        page = visit(address + "/", width=900, height=700)
        line = page.locator("#asked")
        assert not line.is_visible()
        for key, said, answered in (
            ("k", "Question 1 of 3: Its own delay? K: use its own delay, X: leave it.", 1),
            ("x", "Question 2 of 3: Is there one at 3.6? A adds it, X says there is none.", 2),
            ("x", "Question 3 of 3: Was it played? K: it was, X: it was not.", 3),
        ):
            page.keyboard.press("n")
            assert line.inner_text() == said
            page.keyboard.press(key)
            told(page, f"{answered} correction")
            assert line.inner_text().endswith("? Answered.")
            assert page.locator("li.answered").count() == answered
        page.keyboard.press("Control+s")
        told(page, "Saved")
        page.click(".help summary")  # at this size, too, it leaves the pictures in sight
        box = page.locator(".bar").bounding_box()
        assert box["y"] + box["height"] <= 400
        page.keyboard.press("Escape")
        assert not page.locator(".help .panel").is_visible()
    kept = corrections(finished)
    assert kept["delay"] == [{"track": TOM, "samples": pytest.approx(own, abs=1e-3), "polarity": 1}]
    assert kept["hit"] == [{"track": TOM, "time_s": 3.6, "do": "leave out"}]
    assert kept["span"][0]["do"] == "silence"


def test_a_role_reruns_from_the_start(finished: Path, serve: Serve, visit: Callable[..., Any]) -> None:
    from spillgate.dsp.plan import store

    with serve(finished) as (_, address):
        page = visit(address + "/")
        page.locator("#track-2 details.settings summary").click()
        page.locator("#track-2 select.role").select_option("percussion")
        told(page, "1 correction, not saved yet")
        assert TOM in render(page)
        assert next(t.role for t in store.load(finished).tracks if t.track == TOM) == "percussion"


def test_nothing_is_lost_when_the_page_is_closed(finished: Path, serve: Serve, visit: Callable[..., Any]) -> None:
    with serve(finished) as (review, address):
        page = visit(address + "/")
        pick(page, TOM, review.desk.plan.hits_of(TOM)[0].time_s)
        page.keyboard.press("x")
        told(page, "1 correction, not saved yet")
        page.goto("about:blank")
        page.goto(address + "/")
        assert told(page, "1 correction") == "1 correction, not saved yet."
        page.click("#save")
        told(page, "Saved to corrections.toml")
        assert len(corrections(finished)["hit"]) == 1


def test_two_tabs_and_what_cannot_be_done_are_told(finished: Path, serve: Serve, visit: Callable[..., Any]) -> None:
    with serve(finished) as (review, address):
        one, two = visit(address + "/"), visit(address + "/")
        for page in (one, two):
            page.allowed = ["status of 409", "status of 422"]
        hits = review.desk.plan.hits_of(TOM)
        pick(one, TOM, hits[0].time_s)
        one.keyboard.press("x")
        told(one, "1 correction, not saved yet")
        pick(two, TOM, hits[1].time_s)
        two.keyboard.press("x")
        told(two, "another page has changed the corrections")
        two.get_by_role("button", name="load again").click()
        assert told(two, "1 correction") == "1 correction, not saved yet."
        two.locator("#track-2 details.settings summary").click()
        two.locator('#track-2 input[data-name="floor_db"]').fill("7")
        two.locator('#track-2 input[data-name="floor_db"]').press("Enter")
        assert "floor_db" in told(two, "Not possible:")
        tom = finished.parent / "take" / TOM
        tom.rename(tom.with_suffix(".gone"))
        two.click("#render")
        assert TOM in told(two, "Not rendered:")
        tom.with_suffix(".gone").rename(tom)
        two.allowed.append("status of 4")


def test_zoomed_in_every_sample_is_that_of_the_file(finished: Path, serve: Serve, visit: Callable[..., Any]) -> None:
    x, sr = soundfile.read(finished.parent / "take" / TOM, dtype="float32")
    with serve(finished) as (review, address):
        page = visit(address + "/")
        hit = review.desk.plan.hits_of(TOM)[0].time_s
        pick(page, TOM, hit)
        for _ in range(14):
            page.keyboard.press("+")
        seen = page.evaluate("() => [page.view.from, page.view.to]")
        assert (seen[1] - seen[0]) * sr == pytest.approx(24, abs=1e-6)  # 24 samples across the screen
        for _ in range(100):
            piece = page.evaluate("() => page.exact[2].before.map((p) => [p.start, [...p.x]])")
            if piece and piece[-1][0] <= seen[0] * sr and piece[-1][0] + len(piece[-1][1]) >= seen[1] * sr:
                break
            time.sleep(0.05)
        start, got = piece[-1]
        np.testing.assert_array_equal(np.float32(got), x[start : start + len(got)])


def test_listening_switches_without_a_gap_and_never_starts_by_itself(
    finished: Path, serve: Serve, visit: Callable[..., Any]
) -> None:
    with serve(finished) as (review, address):
        page = visit(address + "/")
        state = "() => listening.state()"
        assert page.evaluate(state) is None
        page.locator("#kit summary").click()
        for index in (2, 4):
            page.locator(f'input.mix[data-index="{index}"]').check()
        pick(page, TOM, review.desk.plan.hits_of(TOM)[0].time_s)
        page.keyboard.press("l")
        page.click("#play")
        page.locator("#play").filter(has_text="stop").wait_for()
        first = page.evaluate(state)
        assert first["tracks"] == [2, 4]
        assert first["power"]["before"] > first["power"]["removed"] > 0
        for key, which in (("1", "before"), ("3", "removed"), ("2", "after")):
            page.locator("#track-2 canvas.wave").focus()
            page.keyboard.press(key)
            now = page.evaluate(state)
            assert (now["which"], now["from"], now["length"]) == (which, first["from"], first["length"])
        page.keyboard.press("Escape")
        page.locator("#play").filter(has_text="play").wait_for()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_report_works_from_disk(finished_source: tuple[Path, Path], visit: Callable[..., Any], scheme: str) -> None:
    page = visit((finished_source[1] / "report.html").as_uri(), color_scheme=scheme)
    back = page.evaluate("() => getComputedStyle(document.body).backgroundColor")
    light = sum(int(v) for v in back[4:-1].split(",")) / 3
    assert light > 200 if scheme == "light" else light < 60
    # the first four things are on the first screen of a laptop
    for selector in ("h1", "header.top p", "table.tracks tr:last-child", "#questions"):
        box = page.locator(selector).first.bounding_box()
        assert box["y"] + box["height"] <= 768
    page.keyboard.press("+")
    page.keyboard.press("ArrowRight")
    page.locator("#where").filter(has_text="to").wait_for()
    page.get_by_role("button", name="softest kept hit").first.click()
    page.allowed = ["Multiple readback"]
    colours = """() => {
      const c = document.querySelector('#track-2 canvas.wave');
      const pixels = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
      return new Set(new Uint32Array(pixels.buffer)).size;
    }"""
    for _ in range(40):
        if page.evaluate(colours) > 5:
            break
        time.sleep(0.05)
    assert page.evaluate(colours) > 5
    section = page.locator("#track-2")
    assert page.evaluate("() => [...document.querySelectorAll('audio')].every((a) => a.paused)")
    for which in ("before", "after", "removed"):
        section.get_by_role("button", name=f"hear {which}").click()
        for _ in range(60):
            at = section.locator(f'audio[data-which="{which}"]').evaluate(
                "a => [a.paused, a.currentTime, a.readyState]"
            )
            if not at[0] and at[2] >= 2:
                break
            time.sleep(0.05)
        assert (at[0], at[2] >= 2) == (False, True), f"{which} does not play"
    section.get_by_role("button", name="stop").click()


HOSTILE = "03 Rack Tom \"'<i>&?#%..🥁.wav"


def test_names_are_text_in_the_browser_too(
    small_take: Path, tmp_path: Path, serve: Serve, visit: Callable[..., Any]
) -> None:
    from spillgate.cli.job import main_job
    from spillgate.dsp.chain import Chain

    (small_take / TOM).rename(small_take / HOSTILE)
    out = tmp_path / "<b>&quot;out"
    main_job(small_take, out, Chain.from_names(), quiet=True, workers=2)
    page = visit((out / "report.html").as_uri())
    dialogs: list[str] = []
    page.on("dialog", lambda d: (dialogs.append(d.message), d.dismiss()))
    shown = page.locator("#track-2 h2").text_content()
    assert shown == Path(HOSTILE).stem
    for which in ("before", "after", "removed"):
        page.locator("#track-2").get_by_role("button", name=f"hear {which}").click()
        player = page.locator(f'#track-2 audio[data-which="{which}"]')
        for _ in range(60):
            if player.evaluate("a => a.readyState") >= 2:
                break
            time.sleep(0.05)
        assert player.evaluate("a => a.readyState") >= 2, which
    with serve(out) as (review, address):
        page = visit(address + "/")
        page.on("dialog", lambda d: (dialogs.append(d.message), d.dismiss()))
        pick(page, HOSTILE, review.desk.plan.hits_of(HOSTILE)[0].time_s)
        page.keyboard.press("x")
        told(page, "1 correction, not saved yet")
        assert HOSTILE in render(page)
        assert corrections(out)["hit"][0]["track"] == HOSTILE
        assert page.locator("img").count() == 0
    assert dialogs == []


def axe(page: Any) -> list[str]:
    source = AXE / "axe.min.js"
    if not source.is_file() and not WANTED:
        pytest.skip(f"no axe-core in {AXE}")
    page.evaluate(source.read_text("utf-8") + "; undefined")
    found = page.evaluate("() => axe.run(document, { resultTypes: ['violations'] })")["violations"]
    return [
        f"{v['id']} ({v['impact']}): {v['nodes'][0]['html']}" for v in found if v["impact"] in ("serious", "critical")
    ]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_serious_fault_of_accessibility(
    finished: Path, serve: Serve, visit: Callable[..., Any], scheme: str
) -> None:
    page = visit((finished / "report.html").as_uri(), color_scheme=scheme, bypass_csp=True)
    assert axe(page) == []
    with serve(finished) as (_, address):
        page = visit(address + "/", color_scheme=scheme, bypass_csp=True)
        page.evaluate("() => { for (const d of document.querySelectorAll('details')) d.open = true; }")
        assert axe(page) == []


@pytest.mark.parametrize(("width", "size"), [(390, "100%"), (1366, "200%"), (2560, "100%")])
def test_it_fits_narrow_wide_and_with_large_text(
    finished: Path, serve: Serve, visit: Callable[..., Any], width: int, size: str
) -> None:
    with serve(finished) as (_, address):
        page = visit(address + "/", width, bypass_csp=True)
        page.evaluate("(size) => { document.documentElement.style.fontSize = size; }", size)
        assert page.evaluate("() => document.documentElement.scrollWidth") <= width
        desk = page.locator(".desk").bounding_box()
        assert desk["height"] < 0.5 * 800


def large_page(folder: Path) -> Path:
    """Ten minutes of sixteen tracks; at 8 kHz, which changes nothing for the page and saves making it."""
    from spillgate.cli.report import Words, page
    from spillgate.dsp.plan.model import Hit, Plan
    from spillgate.dsp.take.model import AudioFile, Take, Track

    sr, seconds, n_tracks = 8000, 600, 16
    rng = np.random.default_rng(4)
    fall = np.exp(-np.arange(sr) / (0.2 * sr))
    bars = {}
    tracks = []
    for k in range(n_tracks):
        name = f"{k + 1:02d} Track.wav"
        bars[name] = np.concatenate([a * fall * rng.normal(0, 0.3, sr) for a in rng.uniform(0.1, 1, 7)])
        file = AudioFile(path=folder / name, name=name, sr=sr, n_channels=1, n_samples=sr * seconds, format="WAV",
                         subtype="PCM_24")  # fmt: skip
        tracks.append(Track(id=name, files=(file,), role="tom", drum=f"tom{k + 1}"))

    def read(track: Track, start: int, stop: int, dtype: str) -> Any:
        return bars[track.id][np.arange(start, stop) % (7 * sr)].astype(dtype)

    take = Take(name="long", sr=sr, n_samples=sr * seconds, tracks=tuple(tracks), reader=read, workers=2)
    hits = tuple(
        Hit(track=t.id, drum=str(t.drum), time_s=float(s), level_db=-6.0, confidence=1.0 if s % 9 else 0.6)
        for s in range(seconds)
        for t in tracks
    )
    spans = [[s, s + 0.7] for s in range(seconds)]
    figures = {"gate": {t.id: {"spans": spans} for t in tracks}}
    plan = Plan(sr=sr, n_samples=sr * seconds, hits=hits, figures=figures)
    path = folder / "report.html"
    path.write_text(page(take, plan, take, folder, Words(changed="Nothing.")), "utf-8")
    return path


FRAMES = """async ([kind, n]) => {
  const times = [], canvas = document.querySelector("#track-1 canvas.wave"), box = canvas.getBoundingClientRect();
  let last = await new Promise(requestAnimationFrame);
  for (let k = 0; k < n; k++) {
    const at = { clientX: box.x + 500, clientY: box.y + 20, cancelable: true };
    const wheel = (more) => canvas.dispatchEvent(new WheelEvent("wheel", { ...at, ...more }));
    if (kind === "zoom") wheel({ ctrlKey: true, deltaY: k < n / 2 ? -120 : 120 });
    else if (kind === "move") wheel({ shiftKey: true, deltaX: 40 });
    else scrollBy(0, k < n / 2 ? 90 : -90);
    const now = await new Promise(requestAnimationFrame);
    times.push(now - last); last = now;
  }
  return times;
}"""


def test_ten_minutes_of_sixteen_tracks_stay_fluid(
    tmp_path: Path, visit: Callable[..., Any], record_property: Callable[[str, object], None]
) -> None:
    path = large_page(tmp_path)
    started = time.perf_counter()
    page = visit(path.as_uri())
    page.locator("#where").filter(has_text="10:00").wait_for()
    loaded_s = time.perf_counter() - started
    time.sleep(0.5)
    figures = {kind: median(page.evaluate(FRAMES, [kind, 60])) for kind in ("zoom", "move", "scroll")}
    figures |= {"load_s": round(loaded_s, 2), "size_mb": round(path.stat().st_size / 1e6, 1)}
    record_property("figures", json.dumps(figures))
    print(figures)
    assert max(figures[k] for k in ("zoom", "move", "scroll")) < 50.0, figures
