"use strict";
// What the review page adds: overruling decisions, with undo; saving; rendering again.
(() => {
  const { data, view, setView, hold, schedule, redraw, jump, hooks, clock, exact, close, font, asked, tellAsked } = window.page;
  const base = document.getElementById("review").dataset.base;
  const byId = (id) => document.getElementById(id);
  const told = byId("told"), picked = byId("picked");
  const match = 0.015; // s: the same as for corrections by hand
  const most = 200; // steps that can be undone

  // ---- corrections with undo
  let revision = 0, corrections = { schema: 1 }, past = [], future = [], line = Promise.resolve();
  const copy = (value) => JSON.parse(JSON.stringify(value));
  const say = (text) => { told.textContent = text; };
  const get = async (what) => { const answer = await fetch(base + "/" + what); if (!answer.ok) throw new Error(answer.statusText); return answer.json(); };
  const post = async (what, body) => {
    const answer = await fetch(base + "/" + what, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body || {}) });
    const json = await answer.json();
    if (!answer.ok) throw Object.assign(new Error(json.error || answer.statusText), { status: answer.status });
    return json;
  };
  // One after the other; resolves to whether it was kept.
  const keep = (what) => (line = line.then(async () => {
    try {
      const answer = await post(what, { revision, corrections });
      revision = answer.revision;
      say(what === "save" ? "Saved to corrections.toml." : said() + ", not saved yet.");
      return true;
    } catch (error) {
      if (error.status === 409) { byId("reload").hidden = false; say("Not kept: " + error.message + "."); }
      else if (error.status === 422 && past.length && what === "draft") { corrections = past.pop(); redraw(); tell(); say("Not possible: " + error.message); }
      else say("Not kept: " + (error.status ? error.message : "the server does not answer; is it still running?"));
      return false;
    }
  }));
  const count = () => ["hit", "span", "parameter", "delay", "role"].reduce((n, k) => n + (corrections[k] || []).length, 0);
  const said = () => count() + (count() === 1 ? " correction" : " corrections");
  const settle = () => {
    for (const k of Object.keys(corrections)) if (Array.isArray(corrections[k]) && !corrections[k].length) delete corrections[k];
    byId("undo").disabled = !past.length; byId("redo").disabled = !future.length;
    tell(); tick(); redraw();
    return keep("draft");
  };
  const edit = (change) => { past.push(copy(corrections)); past = past.slice(-most); future = []; change(); return settle(); };
  const undo = () => { if (past.length) { future.push(copy(corrections)); corrections = past.pop(); settle(); } };
  const redo = () => { if (future.length) { past.push(copy(corrections)); corrections = future.pop(); settle(); } };

  // ---- what is picked: a hit, or a place; and a marked span.  Corrections count from the file's first sample.
  let pick = null, span = null;
  const round = (s) => Math.round(s * 1e5) / 1e5;
  const local = (t, s) => round(s - t.offset);
  const rows = (table) => (corrections[table] = corrections[table] || []);
  const hitsOf = (index) => data.tracks[index].hits;
  const near = (e, t, s) => e.track === t.name && Math.abs(e.time_s - s) <= match;
  // ---- which questions are answered
  const covers = (e, t, s) => e.track === t.name && e.from_s <= s && e.to_s >= s;
  const settled = (q, k) => {
    const t = data.tracks[q.track], of = (table) => (corrections[table] || []).filter((e) => e.track === t.name);
    if (q.code.startsWith("align.")) return of("delay").length > 0 || of("parameter").some((e) => e.processor === "align" && e.name === "accept");
    if (q.code === "inputs.role") return of("role").length > 0;
    if (!q.times.length) return of("span").length + of("parameter").length + of("hit").length > 0;
    const s = local(t, q.times[k]);
    return of("hit").some((e) => near(e, t, s)) || of("span").some((e) => covers(e, t, s));
  };
  const tick = () => {
    for (const item of document.querySelectorAll("ol.questions li")) {
      const q = data.questions[Number(item.dataset.group)], n = q.track < 0 ? 0 : q.texts.filter((_, k) => settled(q, k)).length;
      item.classList.toggle("answered", n === q.texts.length);
      item.querySelector(".state").textContent = n === 0 ? "" : n === q.texts.length ? "answered" : n + " of " + q.texts.length + " answered";
    }
    tellAsked();
  };
  const hints = { "detect.hit": " K keeps it, X leaves it out.", "detect.hit_left_out": " A adds it, X says there is none." };
  // K and X answer what is asked about a whole track
  const whole = () => {
    const s = asked(), q = s && data.questions[s.group];
    return q && !s.code.startsWith("detect.hit") && q.answers.length === 2 && (s.time === null || (pick && pick.index === s.track && pick.time === s.time)) ? s : null;
  };
  hooks.hint = (s) => {
    const q = data.questions[s.group];
    if (settled(q, s.k)) return " Answered.";
    return hints[s.code] || (q.answers.length === 2 ? " K: " + q.answers[0][1] + ", X: " + q.answers[1][1] + "." : "");
  };

  const tell = () => {
    if (!pick) return;
    const t = data.tracks[pick.index], done = (corrections.hit || []).filter((e) => near(e, t, local(t, pick.time)));
    picked.textContent = t.label + ", " + clock(pick.time) + (pick.hit ? ", hit with confidence " + pick.hit[1].toFixed(2) : ", no hit here") + done.map((e) => ", " + e.do).join("");
  };
  const choose = (index, time, cursor) => {
    const found = hitsOf(index).filter((h) => Math.abs(h[0] - time) <= Math.min(Math.max(match, (view.to - view.from) * 0.006), 0.1));
    found.sort((a, b) => Math.abs(a[0] - time) - Math.abs(b[0] - time));
    pick = { index, time: found.length ? found[0][0] : time, cursor: cursor === undefined ? time : cursor, hit: found[0] || null };
    hold(pick.cursor);
    tell(); schedule();
  };
  const tellSpan = () => { picked.textContent = data.tracks[span.index].label + ", span " + clock(Math.min(span.from, span.to)) + " to " + clock(Math.max(span.from, span.to)); };
  hooks.jumped = [(index, time) => choose(index, time)];
  hooks.press.push((event, canvas, index, timeAt) => {
    const time = timeAt(event);
    if (!event.shiftKey) { choose(index, time); return false; }
    span = { index, from: time, to: time };
    const drag = (move) => { span.to = view.from + (move.offsetX / canvas.clientWidth) * (view.to - view.from); schedule(); };
    const end = () => { canvas.removeEventListener("pointermove", drag); tellSpan(); };
    canvas.addEventListener("pointermove", drag);
    canvas.addEventListener("pointerup", end, { once: true });
    return true;
  });

  const put = (t, at, row) => {
    corrections.hit = rows("hit").filter((e) => !near(e, t, at));
    if (row) corrections.hit.push({ track: t.name, time_s: at, ...row });
  };
  const actions = {
    hit(what) {
      if (!pick) return say("Pick a hit first.");
      const t = data.tracks[pick.index];
      const added = (corrections.hit || []).find((e) => e.do === "add" && near(e, t, local(t, pick.time)));
      if (what === "leave out" && added && !pick.hit) return edit(() => put(t, added.time_s, null));
      const doubted = asked();
      const none = what === "leave out" && doubted && doubted.code === "detect.hit_left_out" && doubted.track === pick.index && Math.abs(doubted.time - pick.time) <= match;
      if (what !== "add" && !pick.hit && !none) return say("There is no hit here; add one first.");
      if (what === "add" && hitsOf(pick.index).some((h) => Math.abs(h[0] - pick.cursor) <= match)) return say("There is a hit here already.");
      const at = what === "add" ? local(t, pick.cursor) : local(t, pick.time);
      return edit(() => put(t, at, { do: what }));
    },
    nudge(ms) {
      if (!pick || !pick.hit) return say("Pick a hit first.");
      const t = data.tracks[pick.index], at = local(t, pick.time);
      const old = (corrections.hit || []).find((e) => e.do === "move" && near(e, t, at));
      return edit(() => put(t, at, { do: "move", to_s: round((old ? old.to_s : at) + ms / 1000) }));
    },
    ring() {
      if (!pick) return say("Pick a hit, then click where its ring shall end.");
      const t = data.tracks[pick.index], cursor = pick.cursor;
      const before = hitsOf(pick.index).filter((h) => h[0] < cursor - 0.02).pop();
      if (!before) return say("There is no hit before this place.");
      const at = local(t, before[0]), old = (corrections.hit || []).find((e) => near(e, t, at) && (e.do === "keep" || e.do === "move"));
      const kept = old ? { do: old.do, ...(old.to_s === undefined ? {} : { to_s: old.to_s }) } : { do: "ring" };
      return edit(() => put(t, at, { ...kept, ring_until_s: local(t, cursor) }));
    },
    span(what) {
      if (!span || Math.abs(span.to - span.from) < 0.002) return say("Mark a span first: hold shift and drag over the picture, or press I and O at its ends.");
      const t = data.tracks[span.index], ends = [span.from, span.to].sort((a, b) => a - b);
      span = null;
      return edit(() => rows("span").push({ track: t.name, from_s: local(t, ends[0]), to_s: local(t, ends[1]), do: what }));
    },
    // one answer for all questions that are alike
    answer(group, what) {
      const q = data.questions[group], t = data.tracks[q.track];
      return edit(() => {
        if (what === "accept") {
          corrections.parameter = rows("parameter").filter((e) => !(e.track === t.name && e.processor === "align" && e.name === "accept"));
          corrections.parameter.push({ track: t.name, processor: "align", name: "accept", value: "unsure" });
        } else if (what === "own delay" || what === "same delay" || what === "turn") {
          const now = t.delay || [0, 1], [samples, polarity] = what === "own delay" ? t.own : [now[0], what === "turn" ? -now[1] : now[1]];
          corrections.delay = rows("delay").filter((e) => e.track !== t.name);
          corrections.delay.push({ track: t.name, samples, polarity });
        } else if (what.startsWith("track ")) rows("span").push({ track: t.name, from_s: round(-t.offset), to_s: round(data.seconds - t.offset), do: what.slice(6) });
        else for (const time of q.times) put(t, local(t, time), { do: what });
      });
    },
  };
  const perform = (what, ms) => {
    if (what === "nudge") return actions.nudge(ms);
    if (what === "ring") return actions.ring();
    if (what.startsWith("span ")) return actions.span(what.slice(5));
    return actions.hit(what);
  };
  for (const button of document.querySelectorAll(".desk button[data-do]")) button.addEventListener("click", () => perform(button.dataset.do, Number(button.dataset.ms)));
  for (const button of document.querySelectorAll("button.answer")) button.addEventListener("click", () => actions.answer(Number(button.dataset.group), button.dataset.do));
  byId("undo").addEventListener("click", undo);
  byId("redo").addEventListener("click", redo);
  byId("save").addEventListener("click", () => keep("save"));
  byId("reload").addEventListener("click", () => location.reload());

  for (const box of document.querySelectorAll("details.settings")) {
    const t = data.tracks[Number(box.dataset.index)];
    for (const input of box.querySelectorAll("input.setting"))
      input.addEventListener("change", () => edit(() => {
        const { processor, name } = input.dataset, text = input.value.trim(), number = Number(text);
        const value = text === "true" ? true : text === "false" ? false : text === "" || Number.isNaN(number) ? text : number;
        corrections.parameter = rows("parameter").filter((e) => !(e.track === t.name && e.processor === processor && e.name === name));
        corrections.parameter.push({ track: t.name, processor, name, value });
      }));
    const delay = box.querySelector("input.delay"), polarity = box.querySelector("select.polarity");
    for (const input of delay ? [delay, polarity] : [])
      input.addEventListener("change", () => {
        if (!delay.value.trim() || Number.isNaN(Number(delay.value))) return say("The delay must be a number of samples.");
        return edit(() => {
          corrections.delay = rows("delay").filter((e) => e.track !== t.name);
          corrections.delay.push({ track: t.name, samples: Number(delay.value), polarity: Number(polarity.value) });
        });
      });
    const role = box.querySelector("select.role"), drum = box.querySelector("input.drum");
    const fits = () => !/^(kick|snare|hat|tom)$/.test(role.value) || !drum.value.trim() || new RegExp("^" + (role.value === "tom" ? "(tom|floor)" : role.value)).test(drum.value.trim());
    for (const input of [role, drum])
      input.addEventListener("change", () => {
        if (!fits()) drum.value = "";
        if (role.value === "tom" && !drum.value.trim()) return say("Which tom? Write tom1, tom2 … from high to low, or floor, into drum.");
        return edit(() => {
        corrections.role = rows("role").filter((e) => e.track !== t.name);
        corrections.role.push({ track: t.name, role: role.value, ...(drum.value.trim() ? { drum: drum.value.trim() } : {}) });
        });
      });
  }

  // ---- rendering: what is on the page now is kept over the reload that shows the result
  const remember = (text) => {
    const mix = [...document.querySelectorAll("#kit input, input[name=which]")].map((i) => (/checkbox|radio/.test(i.type) ? i.checked : i.value));
    const open = [...document.querySelectorAll("details")].map((d) => d.open);
    sessionStorage.setItem("spillgate", JSON.stringify({ from: view.from, to: view.to, y: scrollY, told: text, pick, past, future, mix, open }));
  };
  const recall = () => {
    const kept = JSON.parse(sessionStorage.getItem("spillgate") || "null");
    if (!kept) return null;
    sessionStorage.removeItem("spillgate");
    setView(kept.from, kept.to);
    ({ past, future } = kept);
    [...document.querySelectorAll("#kit input, input[name=which]")].forEach((i, k) => { if (/checkbox|radio/.test(i.type)) i.checked = kept.mix[k]; else i.value = kept.mix[k]; });
    [...document.querySelectorAll("details")].forEach((d, k) => { if (kept.open[k]) d.open = true; });
    scrollTo(0, kept.y);
    if (kept.pick && data.tracks[kept.pick.index]) choose(kept.pick.index, kept.pick.time, kept.pick.cursor);
    return kept.told;
  };
  const wait = (ms) => new Promise((done) => setTimeout(done, ms));
  const render = async () => {
    if (byId("render").disabled) return;
    byId("render").disabled = true;
    try {
      if (!(await keep("save"))) return;
      await post("render");
      for (let pause = 20; ; pause = Math.min(1.3 * pause, 150)) {
        const s = await get("progress");
        if (s.state === "failed") { say("Not rendered: " + s.error); return; }
        if (s.state === "done") { remember(s.files.length ? "Rendered: " + s.files.join(", ") + "." : "Nothing to change."); location.reload(); return; }
        say("Rendering: " + (s.of ? s.what + " " + s.done + " of " + s.of : "working out what changes"));
        await wait(pause);
      }
    } catch (error) { say("Not rendered: " + error.message); } finally { byId("render").disabled = false; }
  };
  byId("render").addEventListener("click", render);

  // ---- every sample: pieces around the view, fetched once they can be told apart
  const coming = new Set();
  const need = async (index, t, which) => {
    const key = index + which, a = Math.floor(view.from * data.sr), n = Math.ceil((view.to - view.from) * data.sr) + 2;
    if (coming.has(key) || exact[index][which].some((p) => p.start <= Math.max(a, 0) && p.start + p.x.length >= a + n)) return;
    coming.add(key);
    const start = Math.max(a - n, 0);
    try {
      const x = await samples(index, which, start + (which === "after" ? t.shift : 0), 3 * n);
      exact[index][which] = [{ start, x }];
      schedule();
    } catch (error) { say("No samples: " + error.message); } finally { coming.delete(key); }
  };
  const samples = async (index, which, start, n) => {
    const answer = await fetch(base + "/samples?track=" + index + "&which=" + which + "&start=" + start + "&n=" + n);
    if (!answer.ok) throw new Error((await answer.json()).error);
    return new Float32Array(await answer.arrayBuffer());
  };

  // ---- drawing over the pictures
  hooks.draw.push((g, index, t, at, w, h, ratio, colours) => {
    if (close(w, ratio)) { need(index, t, "before"); if (t.cleaned) need(index, t, "after"); }
    g.lineWidth = 2 * ratio; g.font = font(ratio); g.textAlign = "left";
    for (const e of corrections.hit || []) {
      if (e.track !== t.name) continue;
      const x = at(e.time_s + t.offset);
      g.strokeStyle = g.fillStyle = colours.removed;
      if (e.do === "leave out") { g.beginPath(); g.moveTo(x - 6 * ratio, 2 * ratio); g.lineTo(x + 6 * ratio, 14 * ratio); g.moveTo(x + 6 * ratio, 2 * ratio); g.lineTo(x - 6 * ratio, 14 * ratio); g.stroke(); }
      const words = e.do === "move" ? "moved to " + clock(e.to_s + t.offset) : e.do;
      g.fillText(words + (e.ring_until_s === undefined ? "" : (e.do === "ring" ? "" : ", ring") + " until " + clock(e.ring_until_s + t.offset)), x + 7 * ratio, 24 * ratio);
    }
    for (const e of corrections.span || []) {
      if (e.track !== t.name) continue;
      const a = at(e.from_s + t.offset), b = at(e.to_s + t.offset);
      g.strokeStyle = e.do === "keep" ? colours.edge : colours.removed;
      g.setLineDash([6 * ratio, 4 * ratio]); g.strokeRect(a, 2 * ratio, b - a, h - 4 * ratio); g.setLineDash([]);
      g.fillStyle = colours.ink; g.fillText(e.do, Math.max(a, 0) + 4 * ratio, h - 6 * ratio);
    }
    if (span && span.index === index) { g.fillStyle = colours.focus; g.globalAlpha = 0.25; g.fillRect(at(span.from), 0, at(span.to) - at(span.from), h); g.globalAlpha = 1; }
    if (pick && pick.index === index) { g.fillStyle = colours.doubt; g.fillRect(at(pick.cursor), 0, ratio, h); }
  });

  // ---- keyboard
  const stepHit = (by) => {
    if (!pick) return;
    const times = hitsOf(pick.index).map((h) => h[0]), next = by > 0 ? times.find((s) => s > pick.time + 1e-4) : times.filter((s) => s < pick.time - 1e-4).pop();
    if (next !== undefined) { if (next < view.from || next > view.to) setView(next - 0.3 * (view.to - view.from), next + 0.7 * (view.to - view.from)); choose(pick.index, next); }
  };
  const shift = (by) => { if (pick) choose(pick.index, pick.cursor + by * (view.to - view.from)); };
  const mark = (end) => {
    if (!pick) return say("Pick a place first.");
    if (!span || span.index !== pick.index) span = { index: pick.index, from: pick.cursor, to: pick.cursor };
    span[end] = pick.cursor;
    if (end === "from") span.to = Math.max(span.to, span.from);
    tellSpan(); schedule();
  };
  const reply = (which, what) => {
    const s = whole();
    return s ? actions.answer(s.group, data.questions[s.group].answers[which][0]) : actions.hit(what);
  };
  Object.assign(hooks.keys, {
    k: () => { reply(0, "keep"); }, x: () => { reply(1, "leave out"); }, a: () => { actions.hit("add"); },
    "[": () => { actions.nudge(-1); }, "]": () => { actions.nudge(1); }, r: () => { actions.ring(); },
    s: () => { actions.span("keep"); }, d: () => { actions.span("silence"); }, u: undo, y: redo,
    "ctrl z": undo, "ctrl shift z": redo, "ctrl y": redo, "ctrl s": () => { keep("save"); }, "ctrl Enter": () => { render(); },
    ",": () => stepHit(-1), ".": () => stepHit(1), "shift ArrowLeft": () => shift(-1 / 400), "shift ArrowRight": () => shift(1 / 400),
    i: () => mark("from"), o: () => mark("to"),
  });

  window.desk = { base, say, samples, place: () => pick };
  (async () => {
    const s = await get("state");
    revision = s.revision; corrections = s.corrections;
    const text = recall();
    byId("undo").disabled = !past.length; byId("redo").disabled = !future.length;
    say(text || (s.saved ? said() + "." : said() + ", not saved yet."));
    if (s.problem) say(s.problem);
    tick(); redraw();
  })();
})();
