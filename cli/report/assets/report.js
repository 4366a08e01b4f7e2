"use strict";
// The pictures of the report: one time axis for all tracks, peaks of 1 ms in the page, exact samples where decisions are close.
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const sections = [...document.querySelectorAll("section.track")];
  const colours = {};
  let rem = 16;
  const readStyle = () => {
    const style = getComputedStyle(document.documentElement);
    for (const name of ["paper", "ink", "soft", "line", "panel", "before", "after", "removed", "open", "edge", "doubt", "focus"])
      colours[name] = style.getPropertyValue("--" + name).trim();
    rem = parseFloat(style.fontSize) || 16;
  };

  const hooks = { draw: [], press: [], frame: [], keys: {} }; // what the review page adds

  // ---- numbers in the page: base64 of deflated bytes
  const bytes = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const inflate = async (text) => {
    const stream = new Blob([bytes(text)]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Int8Array(await new Response(stream).arrayBuffer());
  };
  // All smallest values, then all largest -> pairs; -128: as in the other picture.
  const paired = (flat, other) => {
    const n = flat.length / 2, pairs = new Int8Array(flat.length);
    for (let k = 0; k < n; k++) {
      pairs[2 * k] = flat[k] === -128 && other ? other[2 * k] : flat[k];
      pairs[2 * k + 1] = flat[n + k] === -128 && other ? other[2 * k + 1] : flat[n + k];
    }
    return pairs;
  };

  // A pyramid of smallest and largest values: level k holds 8^k pieces in one.
  const pyramid = (flat) => {
    const levels = [flat];
    while (levels[levels.length - 1].length > 2048) {
      const fine = levels[levels.length - 1], pairs = Math.ceil(fine.length / 16), coarse = new Int8Array(2 * pairs);
      for (let p = 0; p < pairs; p++) {
        let low = 127, high = -127;
        const stop = Math.min(fine.length, 16 * p + 16);
        for (let k = 16 * p; k < stop; k += 2) {
          if (fine[k] < low) low = fine[k];
          if (fine[k + 1] > high) high = fine[k + 1];
        }
        coarse[2 * p] = low; coarse[2 * p + 1] = high;
      }
      levels.push(coarse);
    }
    return levels;
  };

  const waves = new Map(); // index -> {before, after}
  const load = async (index) => {
    if (waves.has(index)) return;
    waves.set(index, null);
    const { peaks } = data.tracks[index], before = paired(await inflate(peaks.before)), made = { before: pyramid(before) };
    if (peaks.after) made.after = pyramid(paired(await inflate(peaks.after), before));
    made.top = Math.max(8, ...made.before[made.before.length - 1].map(Math.abs)); // the loudest sample fills the picture
    waves.set(index, made);
    schedule();
  };

  // ---- exact samples: pieces {start, x}, those of the page and those the review page asks for; newest last
  const exact = data.tracks.map(() => ({ before: [], after: [] }));
  data.tracks.forEach((t, index) => {
    for (const which of ["before", "after"])
      for (const piece of (t.exact || {})[which] || []) {
        const small = new Int16Array(bytes(piece.samples).buffer);
        exact[index][which].push({ start: piece.start, x: Float32Array.from(small, (v) => v / 32767) });
      }
  });

  // ---- the common time axis
  const view = { from: 0, to: Math.max(data.seconds, 0.01) };
  const least = Math.min(24 / data.sr, data.seconds || 1); // s: single samples can be told apart
  const setView = (from, to) => {
    const span = Math.min(Math.max(to - from, least), Math.max(data.seconds, 0.01));
    from = Math.min(Math.max(from, 0), Math.max(data.seconds - span, 0));
    view.from = from; view.to = from + span;
    schedule();
  };
  let anchor = null; // what was gone to last: zooming keeps it in place
  const zoom = (factor, at) => {
    const held = anchor !== null && anchor >= view.from && anchor <= view.to ? anchor : (view.from + view.to) / 2;
    const centre = at === undefined ? held : at, share = (centre - view.from) / (view.to - view.from);
    const span = Math.max((view.to - view.from) * factor, least);
    setView(centre - share * span, centre - share * span + span);
  };
  const clock = (s) => {
    const span = view.to - view.from, m = Math.floor(s / 60), digits = span < 0.2 ? 5 : span < 2 ? 4 : 2;
    return m + ":" + (s - 60 * m).toFixed(digits).padStart(digits + 3, "0");
  };

  // ---- drawing
  const fit = (canvas) => {
    const ratio = window.devicePixelRatio || 1, w = Math.max(1, Math.round(canvas.clientWidth * ratio)), h = Math.max(1, Math.round(canvas.clientHeight * ratio));
    if (canvas.width !== w || canvas.height !== h) { canvas.width = w; canvas.height = h; }
    const g = canvas.getContext("2d");
    g.clearRect(0, 0, w, h);
    return [g, w, h, ratio];
  };
  const font = (ratio) => 0.69 * rem * ratio + "px system-ui, sans-serif";
  const drawWave = (g, levels, w, top, height, colour, full, skip) => {
    const perPixel = ((view.to - view.from) * data.peaks_per_s) / w;
    let level = 0, scale = 1;
    while (level + 1 < levels.length && scale * 8 <= perPixel) { level++; scale *= 8; }
    const flat = levels[level], middle = top + height / 2, half = (0.96 * height) / 2 / full;
    g.fillStyle = colour; // rectangles on whole pixels: much faster than a path
    for (let x = 0; x < w; x++) {
      if (skip && skip(view.from + ((x + 0.5) / w) * (view.to - view.from))) continue;
      const a = Math.floor((view.from * data.peaks_per_s + x * perPixel) / scale);
      const b = Math.max(a + 1, Math.floor((view.from * data.peaks_per_s + (x + 1) * perPixel) / scale));
      let low = 127, high = -127;
      for (let k = a; k < b && 2 * k + 1 < flat.length; k++) {
        if (flat[2 * k] < low) low = flat[2 * k];
        if (flat[2 * k + 1] > high) high = flat[2 * k + 1];
      }
      if (high < low || (high === 0 && low === 0)) continue;
      const y = Math.round(middle - high * half);
      g.fillRect(x, y, 1, Math.max(Math.round(middle - low * half) - y, 1));
    }
  };
  const drawExact = (g, pieces, at, w, top, height, ratio, colour, full) => {
    const middle = top + height / 2, half = ((0.96 * height) / 2 / full) * 127;
    const root = (v) => Math.sign(v) * Math.sqrt(Math.min(Math.abs(v), 1));
    g.strokeStyle = g.fillStyle = colour; g.lineWidth = 1.4 * ratio;
    for (const piece of pieces) {
      const a = Math.max(0, Math.floor(view.from * data.sr) - piece.start - 1), b = Math.min(piece.x.length, Math.ceil(view.to * data.sr) - piece.start + 2);
      if (b <= a) continue;
      g.beginPath();
      for (let k = a; k < b; k++) {
        const x = at((piece.start + k) / data.sr), y = middle - root(piece.x[k]) * half;
        if (k > a) g.lineTo(x, y); else g.moveTo(x, y);
      }
      g.stroke();
      if (((view.to - view.from) * data.sr) / w < 0.12) // single samples as dots
        for (let k = a; k < b; k++) g.fillRect(at((piece.start + k) / data.sr) - 1.5 * ratio, middle - root(piece.x[k]) * half - 1.5 * ratio, 3 * ratio, 3 * ratio);
    }
  };
  const close = (w, ratio) => ((view.to - view.from) * data.sr) / (w / ratio) < 12; // samples a pixel: exact ones can be seen
  const drawTrack = (section) => {
    const index = Number(section.dataset.index), t = data.tracks[index], canvas = section.querySelector("canvas.wave");
    const [g, w, h, ratio] = fit(canvas), at = (s) => ((s - view.from) / (view.to - view.from)) * w;
    const head = Math.round(0.82 * rem * ratio);
    g.fillStyle = colours.open;
    for (const [a, b] of t.spans) if (b > view.from && a < view.to) g.fillRect(at(a), head, Math.max(at(b) - at(a), 1), h - head);
    const made = waves.get(index), near = close(w, ratio);
    const layers = t.cleaned ? [["before", colours.before], ["after", colours.after]] : [["before", colours.after]];
    for (const [which, colour] of layers) {
      const pieces = near ? exact[index][which] : [];
      const known = (s) => pieces.some((p) => s * data.sr >= p.start && s * data.sr < p.start + p.x.length - 1);
      if (made && made[which]) drawWave(g, made[which], w, head, h - head, colour, made.top, pieces.length ? known : null);
      if (made && pieces.length) drawExact(g, pieces, at, w, head, h - head, ratio, colour, made.top);
    }
    g.fillStyle = colours.edge;
    const foot = Math.round(5 * ratio), thick = Math.max(1, Math.round(1.5 * ratio)), bottom = h - thick;
    for (const [a, b] of t.spans) {
      if (b < view.from || a > view.to) continue;
      const left = Math.round(at(a)), right = Math.round(at(b)) - thick; // start and end marks: brackets that open towards the span
      if (right - left < 3 * foot) { if (right - left > 2 * thick) { g.fillRect(left, head, thick, h - head); } continue; }
      g.fillRect(left, head, thick, h - head); g.fillRect(left, head, foot, thick); g.fillRect(left, bottom, foot, thick);
      g.fillRect(right, head, thick, h - head); g.fillRect(right + thick - foot, head, foot, thick); g.fillRect(right + thick - foot, bottom, foot, thick);
    }
    g.font = font(ratio); g.textAlign = "center"; g.lineWidth = 1.2 * ratio;
    for (const doubtful of [false, true]) {
      let last = -1e9, lastText = -1e9;
      g.fillStyle = g.strokeStyle = doubtful ? colours.doubt : colours.ink;
      g.beginPath();
      for (const [s, confidence] of t.hits) {
        if (s < view.from || s > view.to || confidence < data.sure !== doubtful) continue;
        const x = at(s);
        if (x - last < 2 * ratio) continue; // closer ones cannot be told apart
        last = x;
        g.moveTo(x, head - 1); g.lineTo(x - 4 * ratio, head - 9 * ratio); g.lineTo(x + 4 * ratio, head - 9 * ratio); g.closePath();
        if (doubtful && x - lastText > 9 * ratio) { g.fillText("?", x + 9 * ratio, head - 2 * ratio); lastText = x; }
      }
      if (doubtful) g.stroke(); else g.fill();
    }
    for (const over of hooks.draw) over(g, index, t, at, w, h, ratio, colours);
    if (playing && playing.index === index) { const x = at(playing.audio.currentTime + t.offset - (playing.button.dataset.which === "before" ? 0 : t.shift / data.sr)); g.fillStyle = colours.ink; g.fillRect(x, 0, ratio, h); }
  };
  const drawMeeting = (canvas, t) => {
    const m = t.meeting, samples = (text) => new Int16Array(bytes(text).buffer);
    const near = samples(m[canvas.dataset.side]), far = samples(m.overhead), n = Math.min(near.length, far.length);
    const [g, w, h, ratio] = fit(canvas), head = 1.1 * rem * ratio;
    const line = (v, colour, dash) => {
      let top = 1; for (const s of v) top = Math.max(top, Math.abs(s));
      g.strokeStyle = colour; g.lineWidth = 1.4 * ratio; g.setLineDash(dash);
      g.beginPath();
      for (let k = 0; k < n; k++) { const x = (k / (n - 1)) * w, y = head + (h - head) * (0.5 - (v[k] / top) * 0.47); if (k) g.lineTo(x, y); else g.moveTo(x, y); }
      g.stroke(); g.setLineDash([]);
    };
    line(far, colours.soft, [5 * ratio, 3 * ratio]);
    line(near, colours.after, []);
    g.fillStyle = colours.soft; g.font = font(ratio); g.textAlign = "left";
    g.fillText(canvas.dataset.side + ": solid " + t.label + ", dashed " + m.target + (canvas.dataset.side === "after" ? ", moved " + m.ms + " ms" : ""), 6 * ratio, 0.8 * rem * ratio);
  };

  const visible = new Set();
  let asked = false, stale = true; // stale: what does not depend on the view must be drawn, too
  const schedule = () => { if (!asked) { asked = true; requestAnimationFrame(draw); } };
  const redraw = () => { stale = true; schedule(); };
  const where = document.getElementById("where");
  const draw = () => {
    asked = false;
    for (const section of visible) {
      drawTrack(section);
      const t = data.tracks[Number(section.dataset.index)];
      if (t.meeting && (stale || !section.dataset.met)) { for (const canvas of section.querySelectorAll("canvas.meet")) drawMeeting(canvas, t); section.dataset.met = "1"; }
    }
    if (stale) for (const section of sections) if (!visible.has(section)) delete section.dataset.met;
    stale = false;
    const text = clock(view.from) + " to " + clock(view.to);
    if (where.textContent !== text) where.textContent = text;
    if ((playing && !playing.audio.paused) || hooks.frame.map((f) => f()).some(Boolean)) schedule();
  };
  const watch = new IntersectionObserver((entries) => {
    for (const e of entries) {
      if (e.isIntersecting) { visible.add(e.target); load(Number(e.target.dataset.index)); } else visible.delete(e.target);
    }
    schedule();
  }, { rootMargin: "200px" });

  // ---- listening: before, after and removed at the same place
  let playing = null;
  const stop = () => { if (playing) { playing.audio.pause(); playing.button.setAttribute("aria-pressed", "false"); playing = null; schedule(); } };
  const hear = (section, button) => {
    const index = Number(section.dataset.index), t = data.tracks[index], audio = section.querySelector('audio[data-which="' + button.dataset.which + '"]');
    const same = playing && playing.index === index;
    const from = same ? playing.audio.currentTime : Math.max(view.from - t.offset, 0), again = same && playing.audio === audio;
    stop();
    if (again) return;
    audio.currentTime = from;
    playing = { index, audio, button };
    button.setAttribute("aria-pressed", "true");
    audio.play().then(schedule, () => { if (playing && playing.audio === audio) { where.textContent = "This browser cannot play " + t.label + " (" + button.dataset.which + ")."; stop(); } });
    audio.onended = stop;
  };

  // ---- what the user does
  const jump = (index, s) => {
    const section = document.getElementById("track-" + index);
    if (!section) return;
    const span = Math.min(Math.max(view.to - view.from, 0.4), 1.6);
    setView(s - span * 0.3, s + span * 0.7);
    anchor = s;
    section.querySelector("canvas.wave").scrollIntoView({ block: "center" });
    section.querySelector("canvas.wave").focus({ preventScroll: true });
    for (const f of hooks.jumped || []) f(Number(index), s);
  };
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.classList.contains("jump")) jump(button.dataset.track, Number(button.dataset.time));
    else if (button.classList.contains("look")) show(steps.findIndex((s) => s.group === Number(button.dataset.group)));
    else if (button.classList.contains("hear")) hear(button.closest("section"), button);
    else if (button.classList.contains("stop")) stop();
  });
  const move = (share) => setView(view.from + share * (view.to - view.from), view.to + share * (view.to - view.from));
  // all strokes asked about, those of one question one after the other; what is asked about a whole track once
  const steps = data.questions.flatMap((q, group) => (q.track < 0 ? [] : q.texts.map((text, k) => ({ track: q.track, time: q.times.length ? q.times[k] : null, group, k, of: q.texts.length, text, code: q.code }))));
  let asking = -1;
  const askedLine = document.getElementById("asked");
  const tellAsked = () => {
    const s = steps[asking];
    askedLine.hidden = !s;
    if (s) askedLine.textContent = "Question " + (s.group + 1) + " of " + data.questions.length + (s.of > 1 ? ", " + (s.k + 1) + " of " + s.of : "") + ": " + s.text + (hooks.hint ? hooks.hint(s) : "");
  };
  const show = (number) => {
    asking = number;
    const s = steps[asking];
    if (!s) return;
    tellAsked();
    if (s.time !== null) return jump(s.track, s.time);
    const section = document.getElementById("track-" + s.track);
    section.scrollIntoView({ block: "start" });
    section.querySelector("canvas.wave").focus({ preventScroll: true });
  };
  const ask = (by) => {
    if (!steps.length) return;
    show(asking < 0 ? (by > 0 ? 0 : steps.length - 1) : (asking + by + steps.length) % steps.length);
  };
  const press = {
    whole: () => setView(0, data.seconds), closer: () => zoom(0.5), wider: () => zoom(2), earlier: () => move(-0.4), later: () => move(0.4),
    "next-question": () => ask(1), "previous-question": () => ask(-1),
  };
  for (const [id, action] of Object.entries(press)) document.getElementById(id).addEventListener("click", action);
  if (!steps.length) for (const id of ["next-question", "previous-question"]) document.getElementById(id).disabled = true;
  const keys = {
    ArrowLeft: () => move(-0.2), ArrowRight: () => move(0.2), "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2), 0: press.whole,
    n: () => ask(1), p: () => ask(-1), Escape: () => { stop(); document.querySelector(".help").open = false; },
  };
  document.addEventListener("keydown", (event) => {
    const typing = /^(SELECT|TEXTAREA|AUDIO)$/.test(event.target.tagName) || (event.target.tagName === "INPUT" && !/^(checkbox|radio)$/.test(event.target.type));
    if (typing || event.defaultPrevented) return;
    const name = (event.ctrlKey || event.metaKey ? "ctrl " : "") + (event.altKey ? "alt " : "") + (event.shiftKey && event.key.length > 1 ? "shift " : "") + (event.key.length > 1 ? event.key : event.key.toLowerCase());
    if (event.target.type === "radio" && /Arrow/.test(event.key)) return;
    const action = hooks.keys[name] || keys[name];
    if (action && action(event) !== false) event.preventDefault();
  });
  for (const section of sections) {
    const canvas = section.querySelector("canvas.wave");
    const timeAt = (event) => view.from + (event.offsetX / canvas.clientWidth) * (view.to - view.from);
    canvas.addEventListener("wheel", (event) => {
      if (!event.ctrlKey && !event.shiftKey && Math.abs(event.deltaX) <= Math.abs(event.deltaY)) return; // plain wheel scrolls the page
      event.preventDefault();
      if (event.ctrlKey) zoom(Math.exp(event.deltaY * 0.002), timeAt(event));
      else move((event.deltaX || event.deltaY) / canvas.clientWidth);
    }, { passive: false });
    let grabbed = null;
    canvas.addEventListener("pointerdown", (event) => {
      if (hooks.press.some((take) => take(event, canvas, Number(section.dataset.index), timeAt))) return;
      grabbed = { x: event.clientX, from: view.from, to: view.to }; canvas.setPointerCapture(event.pointerId);
    });
    canvas.addEventListener("pointermove", (event) => {
      if (!grabbed) return;
      const by = ((grabbed.x - event.clientX) / canvas.clientWidth) * (grabbed.to - grabbed.from);
      setView(grabbed.from + by, grabbed.to + by);
    });
    for (const done of ["pointerup", "pointercancel"]) canvas.addEventListener(done, () => { grabbed = null; });
    canvas.addEventListener("dblclick", (event) => zoom(0.25, timeAt(event)));
    watch.observe(section);
  }
  for (const meter of document.querySelectorAll(".meter > i")) meter.style.width = meter.dataset.share + "%";
  for (const name of ["before", "after", "open"]) document.querySelector(".key-" + name).style.background = "var(--" + name + ")";
  readStyle();
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { readStyle(); redraw(); });
  window.addEventListener("resize", () => { readStyle(); redraw(); });
  window.addEventListener("beforeprint", () => { for (const s of sections) { visible.add(s); load(Number(s.dataset.index)); } redraw(); });
  schedule();
  window.page = { data, view, setView, hold: (s) => { anchor = s; }, schedule, redraw, jump, hooks, colours, stop, clock, exact, close, font, asked: () => steps[asking], tellAsked };
})();
