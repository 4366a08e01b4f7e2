"use strict";
// Listening on the review page: tracks of the kit together, before, after and removed switched without a gap.
(() => {
  const { data, view, schedule, hooks } = window.page;
  const { say, samples, place } = window.desk;
  const byId = (id) => document.getElementById(id);
  const kinds = ["before", "after", "removed"];
  const longest = 30; // s fetched at a time
  const fade = 0.004; // s at the ends of what is played, and when switching
  const quietest = 1e-4; // re full scale: below this nothing is matched to it

  let context = null, running = null, starting = 0;
  const which = () => document.querySelector('input[name="which"]:checked').value;
  const dial = (kind, index) => Number(document.querySelector("." + kind + '[data-index="' + index + '"]').value);
  const has = (t, kind) => kind === "before" || (kind === "after" ? t.moved : t.cleaned);

  const halt = () => {
    starting++;
    if (!running) return;
    for (const s of running.sources) { s.onended = null; s.stop(); }
    running = null;
    byId("play").firstChild.textContent = "play ";
    schedule();
  };
  const chosen = () => {
    const ticked = [...document.querySelectorAll("input.mix:checked")].map((i) => Number(i.dataset.index));
    return ticked.length || !place() ? ticked : [place().index];
  };
  // How loud each of the three plays: before and after as loud as the softer of them; removed never made louder.
  const trims = (power) => {
    const loud = Object.fromEntries(kinds.map((k) => [k, Math.sqrt(power[k])]));
    const heard = ["before", "after"].map((k) => loud[k]).filter((v) => v > quietest);
    const goal = heard.length ? Math.min(...heard) : 0;
    return (kind) => (byId("matched").checked && goal > 0 && loud[kind] > goal ? goal / loud[kind] : 1);
  };
  const play = async (tracks, from, to, loop) => {
    halt();
    if (!tracks.length) return say("Tick the tracks to listen to, or pick a hit.");
    const turn = ++starting;
    context = context || new AudioContext({ sampleRate: data.sr });
    context.resume();
    const start = Math.round(from * data.sr), n = Math.max(Math.round(Math.min(to - from, longest) * data.sr), 64);
    let pieces;
    try {
      pieces = await Promise.all(tracks.map(async (index) => {
        const t = data.tracks[index], got = {};
        for (const kind of kinds) if (has(t, kind)) got[kind] = await samples(index, kind, start, n);
        if (!got.after) got.after = got.before;
        return [index, got];
      }));
    } catch (error) { return say("Cannot play: " + error.message); }
    if (turn !== starting) return;
    const out = context.createGain(), limiter = context.createDynamicsCompressor();
    limiter.threshold.value = -1; limiter.ratio.value = 20; limiter.attack.value = 0.001;
    out.connect(limiter).connect(context.destination);
    const buses = {}, sources = [], power = { before: 0, after: 0, removed: 0 }, edge = Math.min(Math.round(fade * data.sr), n >> 1);
    for (const kind of kinds) { buses[kind] = context.createGain(); buses[kind].connect(out); }
    for (const [index, got] of pieces) {
      const gain = 10 ** (dial("gain", index) / 20);
      for (const kind of kinds) {
        if (!got[kind]) continue;
        const x = Float32Array.from(got[kind]);
        let sum = 0;
        for (const v of x) sum += v * v;
        power[kind] += (gain * gain * sum) / n;
        for (let k = 0; k < edge; k++) { x[k] *= k / edge; x[n - 1 - k] *= k / edge; }
        const buffer = context.createBuffer(1, n, data.sr);
        buffer.copyToChannel(x, 0);
        const source = new AudioBufferSourceNode(context, { buffer, loop });
        const level = context.createGain(), pan = context.createStereoPanner();
        level.gain.value = gain; pan.pan.value = dial("pan", index);
        source.connect(level).connect(pan).connect(buses[kind]);
        sources.push({ source, level, pan, index });
      }
    }
    const trim = trims(power);
    const select = () => { for (const kind of kinds) buses[kind].gain.setTargetAtTime(kind === which() ? trim(kind) : 0, context.currentTime, fade); };
    for (const kind of kinds) buses[kind].gain.value = kind === which() ? trim(kind) : 0;
    const at = context.currentTime + 0.03;
    for (const s of sources) s.source.start(at);
    sources[0].source.onended = halt;
    const dials = () => { for (const s of sources) { s.level.gain.setTargetAtTime(10 ** (dial("gain", s.index) / 20), context.currentTime, 0.02); s.pan.pan.setTargetAtTime(dial("pan", s.index), context.currentTime, 0.02); } };
    running = { sources: sources.map((s) => s.source), select, dials, at, from, length: n / data.sr, loop, tracks, power };
    byId("play").firstChild.textContent = "stop ";
    schedule();
  };
  const looping = () => byId("loop").getAttribute("aria-pressed") === "true";
  const around = () => {
    const p = place();
    return p && looping() && (p.cursor > view.from && p.cursor < view.to) && view.to - view.from > 2 ? [Math.max(p.cursor - 0.2, 0), p.cursor + 0.8] : [view.from, view.to];
  };
  const toggle = () => (running ? halt() : play(chosen(), ...around(), looping()));
  const loop = () => { byId("loop").setAttribute("aria-pressed", String(!looping())); if (running) { halt(); toggle(); } };
  byId("play").addEventListener("click", toggle);
  byId("loop").addEventListener("click", loop);
  for (const input of document.querySelectorAll('input[name="which"], #matched')) input.addEventListener("change", () => running && running.select());
  for (const input of document.querySelectorAll(".gain, .pan")) input.addEventListener("input", () => running && running.dials());
  for (const input of document.querySelectorAll("input.mix")) input.addEventListener("change", () => { if (running) { halt(); toggle(); } });
  const choose = (kind) => { document.querySelector('input[name="which"][value="' + kind + '"]').checked = true; if (running) running.select(); };
  for (const button of document.querySelectorAll("button.solo"))
    button.addEventListener("click", () => {
      const index = Number(button.dataset.index), same = running && running.tracks.length === 1 && running.tracks[0] === index;
      if (same && which() === button.dataset.which) return halt();
      choose(button.dataset.which);
      if (!same) play([index], ...around(), looping());
    });
  for (const button of document.querySelectorAll("button.solo"))
    if (!has(data.tracks[Number(button.dataset.index)], button.dataset.which)) button.hidden = true;

  hooks.frame.push(() => {
    if (!running) return false;
    return true;
  });
  hooks.draw.push((g, index, t, at, w, h, ratio, colours) => {
    if (!running || !running.tracks.includes(index)) return;
    let now = context.currentTime - running.at;
    if (now < 0) return;
    now = running.loop ? now % running.length : now;
    g.fillStyle = colours.ink; g.fillRect(at(running.from + now - (which() === "before" ? 0 : t.shift / data.sr)), 0, ratio, h);
  });
  Object.assign(hooks.keys, { " ": (event) => (/^(BUTTON|SUMMARY|INPUT)$/.test(event.target.tagName) ? false : toggle()), l: loop, 1: () => choose("before"), 2: () => choose("after"), 3: () => choose("removed"), Escape: () => { halt(); window.page.stop(); document.querySelector(".help").open = false; } });
  window.listening = { play, halt, state: () => running && { tracks: running.tracks, from: running.from, length: running.length, power: running.power, which: which() } };
})();
