"use strict";
// What the review page adds: overruling decisions, with undo; saving; rendering again; hearing a track in the kit.
(() => {
  const { data, view, setView, schedule, hooks, clock } = window.page;
  const base = document.getElementById("review").dataset.base;
  const byId = (id) => document.getElementById(id);
  const told = byId("told"), picked = byId("picked");
  const match = 0.015; // s: the same as for corrections by hand

  // ---- corrections with undo
  let revision = 0, corrections = { schema: 1 }, past = [], future = [], busy = Promise.resolve();
  const copy = (value) => JSON.parse(JSON.stringify(value));
  const say = (text) => { told.textContent = text; };
  const post = async (what, body) => {
    const answer = await fetch(base + "/" + what, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body || {}) });
    const json = await answer.json();
    if (!answer.ok) throw new Error(json.error || answer.statusText);
    return json;
  };
  const keep = (what) => {
    busy = busy.then(async () => {
      try {
        const answer = await post(what, { revision, corrections });
        revision = answer.revision;
        say(what === "save" ? "Saved to corrections.toml." : said() + ", not saved yet.");
      } catch (error) {
        say("Not kept: " + error.message);
        throw error;
      }
    });
    return busy.catch(() => { busy = Promise.resolve(); });
  };
  const count = () => ["hit", "span", "parameter", "delay", "role"].reduce((n, k) => n + (corrections[k] || []).length, 0);
  const said = () => count() + (count() === 1 ? " correction" : " corrections");
  const edit = (change) => {
    past.push(copy(corrections)); future = [];
    change(corrections);
    for (const k of Object.keys(corrections)) if (Array.isArray(corrections[k]) && !corrections[k].length) delete corrections[k];
    keep("draft"); schedule();
  };
  const undo = () => { if (past.length) { future.push(copy(corrections)); corrections = past.pop(); keep("draft"); schedule(); } };
  const redo = () => { if (future.length) { past.push(copy(corrections)); corrections = future.pop(); keep("draft"); schedule(); } };

  // ---- what is picked: a hit, or a place; and a marked span.  Corrections count from the file's first sample.
  let pick = null, span = null;
  const round = (s) => Math.round(s * 1e5) / 1e5;
  const local = (t, s) => round(s - t.offset);
  const rows = (table) => (corrections[table] = corrections[table] || []);
  const hitsOf = (index) => data.tracks[index].hits;
  const tell = () => {
    if (!pick) return;
    const t = data.tracks[pick.index];
    picked.textContent = t.label + ", " + clock(pick.time) + (pick.hit ? ", hit with confidence " + pick.hit[1].toFixed(2) : ", no hit here") + edits(t, pick.time).map((e) => ", " + e.do).join("");
  };
  const edits = (t, s) => (corrections.hit || []).filter((e) => e.track === t.name && Math.abs(e.time_s - local(t, s)) <= match);
  const choose = (index, time) => {
    const near = hitsOf(index).filter((h) => Math.abs(h[0] - time) <= Math.max(match, (view.to - view.from) * 0.006));
    near.sort((a, b) => Math.abs(a[0] - time) - Math.abs(b[0] - time));
    pick = { index, time: near.length ? near[0][0] : time, cursor: time, hit: near[0] || null };
    tell(); schedule();
  };
  hooks.press.push((event, canvas, index, timeAt) => {
    const time = timeAt(event);
    if (!event.shiftKey) { choose(index, time); return false; }
    span = { index, from: time, to: time };
    const drag = (move) => { span.to = view.from + (move.offsetX / canvas.clientWidth) * (view.to - view.from); schedule(); };
    const end = () => {
      canvas.removeEventListener("pointermove", drag);
      if (span.to < span.from) [span.from, span.to] = [span.to, span.from];
      picked.textContent = data.tracks[index].label + ", span " + clock(span.from) + " to " + clock(span.to);
    };
    canvas.addEventListener("pointermove", drag);
    canvas.addEventListener("pointerup", end, { once: true });
    return true;
  });
  document.addEventListener("click", (event) => {
    const jump = event.target.closest("button.jump");
    if (jump) choose(Number(jump.dataset.track), Number(jump.dataset.time));
  });

  const actions = {
    hit(what) {
      if (!pick) return say("Pick a hit first.");
      const t = data.tracks[pick.index];
      if (what !== "add" && !pick.hit) return say("There is no hit here; add one first.");
      const at = what === "add" ? local(t, pick.cursor) : local(t, pick.time);
      edit(() => {
        corrections.hit = rows("hit").filter((e) => !(e.track === t.name && Math.abs(e.time_s - at) <= match));
        corrections.hit.push({ track: t.name, time_s: at, do: what });
      });
      tell();
    },
    nudge(ms) {
      if (!pick || !pick.hit) return say("Pick a hit first.");
      const t = data.tracks[pick.index], at = local(t, pick.time);
      edit(() => {
        const old = rows("hit").find((e) => e.track === t.name && e.do === "move" && Math.abs(e.time_s - at) <= match);
        if (old) old.to_s = round(old.to_s + ms / 1000);
        else rows("hit").push({ track: t.name, time_s: at, do: "move", to_s: round(at + ms / 1000) });
      });
      tell();
    },
    ring() {
      if (!pick) return say("Pick a hit, then click where its ring shall end.");
      const t = data.tracks[pick.index], cursor = pick.cursor;
      const before = hitsOf(pick.index).filter((h) => h[0] < cursor - 0.02).pop();
      if (!before) return say("There is no hit before this place.");
      const at = local(t, before[0]);
      edit(() => {
        corrections.hit = rows("hit").filter((e) => !(e.track === t.name && e.do === "ring" && Math.abs(e.time_s - at) <= match));
        corrections.hit.push({ track: t.name, time_s: at, do: "ring", ring_until_s: local(t, cursor) });
      });
    },
    span(what) {
      if (!span || span.to - span.from < 0.002) return say("Mark a span first: hold shift and drag over the picture.");
      const t = data.tracks[span.index];
      edit(() => rows("span").push({ track: t.name, from_s: local(t, span.from), to_s: local(t, span.to), do: what }));
      span = null;
    },
  };
  const perform = (button) => {
    const what = button.dataset.do;
    if (what === "nudge") actions.nudge(Number(button.dataset.ms));
    else if (what === "ring") actions.ring();
    else if (what.startsWith("span ")) actions.span(what.slice(5));
    else actions.hit(what);
  };
  for (const button of document.querySelectorAll(".desk button[data-do]")) button.addEventListener("click", () => perform(button));
  byId("undo").addEventListener("click", undo);
  byId("redo").addEventListener("click", redo);
  byId("save").addEventListener("click", () => keep("save"));

  for (const box of document.querySelectorAll("details.settings")) {
    const t = data.tracks[Number(box.dataset.index)];
    for (const input of box.querySelectorAll("input.setting"))
      input.addEventListener("change", () => edit(() => {
        const { processor, name } = input.dataset, number = Number(input.value);
        const value = input.value === "true" ? true : input.value === "false" ? false : input.value === "" || Number.isNaN(number) ? input.value : number;
        corrections.parameter = rows("parameter").filter((e) => !(e.track === t.name && e.processor === processor && e.name === name));
        corrections.parameter.push({ track: t.name, processor, name, value });
      }));
    const delay = box.querySelector("input.delay"), polarity = box.querySelector("select.polarity");
    if (delay)
      for (const input of [delay, polarity])
        input.addEventListener("change", () => {
          if (Number.isNaN(Number(delay.value))) return say("The delay must be a number of samples.");
          edit(() => {
            corrections.delay = rows("delay").filter((e) => e.track !== t.name);
            corrections.delay.push({ track: t.name, samples: Number(delay.value), polarity: Number(polarity.value) });
          });
        });
  }

  // ---- rendering
  byId("render").addEventListener("click", async () => {
    await keep("save");
    byId("render").disabled = true;
    try {
      await post("render");
      for (;;) {
        const s = await (await fetch(base + "/progress")).json();
        if (s.state === "failed") { say("Not rendered: " + s.error); break; }
        if (s.state === "done") {
          sessionStorage.setItem("spillgate", JSON.stringify({ from: view.from, to: view.to, y: scrollY, told: s.files.length ? "Rendered: " + s.files.join(", ") : "Nothing to change." }));
          location.reload();
          return;
        }
        say("Rendering: " + s.what + " " + s.done + " of " + s.of);
        await new Promise((done) => setTimeout(done, 100));
      }
    } catch (error) { say("Not rendered: " + error.message); }
    byId("render").disabled = false;
  });

  // ---- drawing over the pictures
  hooks.draw.push((g, index, t, at, w, h, ratio, colours) => {
    g.lineWidth = 2 * ratio; g.font = 11 * ratio + "px system-ui, sans-serif"; g.textAlign = "left";
    for (const e of corrections.hit || []) {
      if (e.track !== t.name) continue;
      const x = at(e.time_s + t.offset);
      g.strokeStyle = g.fillStyle = colours.removed;
      if (e.do === "leave out") { g.beginPath(); g.moveTo(x - 6 * ratio, 2 * ratio); g.lineTo(x + 6 * ratio, 14 * ratio); g.moveTo(x + 6 * ratio, 2 * ratio); g.lineTo(x - 6 * ratio, 14 * ratio); g.stroke(); }
      g.fillText(e.do === "move" ? "moved to " + clock(e.to_s + t.offset) : e.do === "ring" ? "ring until " + clock(e.ring_until_s + t.offset) : e.do, x + 7 * ratio, 24 * ratio);
    }
    for (const e of corrections.span || []) {
      if (e.track !== t.name) continue;
      const a = at(e.from_s + t.offset), b = at(e.to_s + t.offset);
      g.strokeStyle = e.do === "keep" ? colours.edge : colours.removed;
      g.setLineDash([6 * ratio, 4 * ratio]); g.strokeRect(a, 2 * ratio, b - a, h - 4 * ratio); g.setLineDash([]);
      g.fillStyle = colours.ink; g.fillText(e.do, a + 4 * ratio, h - 6 * ratio);
    }
    if (span && span.index === index) { g.fillStyle = colours.focus || colours.soft; g.globalAlpha = 0.25; g.fillRect(at(span.from), 0, at(span.to) - at(span.from), h); g.globalAlpha = 1; }
    if (pick && pick.index === index) { g.fillStyle = colours.doubt; g.fillRect(at(pick.cursor), 0, ratio, h); }
  });

  // ---- in the kit: pieces of sound, started together; switching is a fade, so nothing jumps
  let context = null, running = null;
  const which = () => document.querySelector('input[name="which"]:checked').value;
  const fetchPiece = async (index, kind, start, n) => {
    const answer = await fetch(base + "/samples?track=" + index + "&which=" + kind + "&start=" + start + "&n=" + n);
    if (!answer.ok) throw new Error((await answer.json()).error);
    return new Float32Array(await answer.arrayBuffer());
  };
  const rms = (x) => Math.sqrt(x.reduce((sum, v) => sum + v * v, 0) / x.length) + 1e-9;
  const halt = () => { if (running) { for (const s of running.sources) s.stop(); running = null; byId("play").textContent = "play (space)"; } };
  const play = async () => {
    if (running) return halt();
    const chosen = [...document.querySelectorAll("input.mix:checked")].map((i) => Number(i.dataset.index));
    if (!chosen.length && pick) chosen.push(pick.index);
    if (!chosen.length) return say("Tick the tracks to listen to, or pick a hit.");
    context = context || new AudioContext({ sampleRate: data.sr });
    const start = Math.round(view.from * data.sr), n = Math.round(Math.min(view.to - view.from, 30) * data.sr);
    const out = context.createGain(), limiter = context.createDynamicsCompressor();
    limiter.threshold.value = -1; limiter.ratio.value = 20; limiter.attack.value = 0.001;
    out.connect(limiter).connect(context.destination);
    const buses = {}, sources = [];
    let loudness = {};
    for (const kind of ["before", "after", "removed"]) { buses[kind] = context.createGain(); buses[kind].connect(out); loudness[kind] = 0; }
    try {
      for (const index of chosen)
        for (const kind of ["before", "after", "removed"]) {
          const x = await fetchPiece(index, kind, start, n);
          loudness[kind] += rms(x) ** 2;
          const buffer = context.createBuffer(1, n, data.sr);
          buffer.copyToChannel(x, 0);
          const source = new AudioBufferSourceNode(context, { buffer, loop: byId("loop").checked });
          const gain = context.createGain(), pan = context.createStereoPanner();
          gain.gain.value = 10 ** (Number(document.querySelector('.gain[data-index="' + index + '"]').value) / 20);
          pan.pan.value = Number(document.querySelector('.pan[data-index="' + index + '"]').value);
          source.connect(gain).connect(pan).connect(buses[kind]);
          sources.push(source);
        }
    } catch (error) { return say("Cannot play: " + error.message); }
    const trim = (kind) => (byId("matched").checked && kind !== "before" ? Math.min(Math.sqrt(loudness.before / Math.max(loudness[kind], 1e-12)), 1) : 1);
    const select = () => { for (const kind of Object.keys(buses)) buses[kind].gain.setTargetAtTime(kind === which() ? trim(kind) : 0, context.currentTime, 0.005); };
    for (const kind of Object.keys(buses)) buses[kind].gain.value = kind === which() ? trim(kind) : 0;
    const at = context.currentTime + 0.05;
    for (const s of sources) s.start(at);
    sources[0].onended = halt;
    running = { sources, select };
    byId("play").textContent = "stop (space)";
  };
  byId("play").addEventListener("click", play);
  for (const input of document.querySelectorAll('input[name="which"], #matched')) input.addEventListener("change", () => running && running.select());

  // ---- keyboard
  const press = (selector) => document.querySelector(selector).click();
  document.addEventListener("keydown", (event) => {
    const typing = /^(INPUT|SELECT|TEXTAREA)$/.test(event.target.tagName) && event.target.type !== "checkbox" && event.target.type !== "radio";
    if (typing) return;
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z") { event.preventDefault(); return event.shiftKey ? redo() : undo(); }
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const keys = { k: '[data-do="keep"]', x: '[data-do="leave out"]', a: '[data-do="add"]', "[": '[data-ms="-1"]', "]": '[data-ms="1"]', r: '[data-do="ring"]', s: '[data-do="span keep"]', d: '[data-do="span silence"]', u: "#undo", y: "#redo", " ": "#play" };
    const selector = keys[event.key.toLowerCase()];
    if (selector && !(event.key === " " && event.target.tagName === "BUTTON")) { event.preventDefault(); press(selector); }
  });

  (async () => {
    const s = await (await fetch(base + "/state")).json();
    revision = s.revision; corrections = s.corrections;
    const kept = JSON.parse(sessionStorage.getItem("spillgate") || "null");
    if (kept) { sessionStorage.removeItem("spillgate"); setView(kept.from, kept.to); scrollTo(0, kept.y); say(kept.told); }
    else say(s.saved ? said() + "." : said() + ", not saved yet.");
    schedule();
  })();
})();
