"use strict";
// The pictures of the report: one time axis for all tracks, peaks of 1 ms in the page, exact samples where decisions are close.
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const sections = [...document.querySelectorAll("section.track")];
  const colours = {};
  const readColours = () => {
    const style = getComputedStyle(document.documentElement);
    for (const name of ["paper", "ink", "soft", "line", "panel", "before", "after", "removed", "open", "edge", "doubt"])
      colours[name] = style.getPropertyValue("--" + name).trim();
  };

  const hooks = { draw: [], press: [] }; // what the review page adds

  // ---- numbers in the page: base64 of deflated bytes
  const bytes = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const inflate = async (text) => {
    const stream = new Blob([bytes(text)]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Uint8Array(await new Response(stream).arrayBuffer());
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
    const t = data.tracks[index];
    if (waves.has(index)) return;
    waves.set(index, null);
    const made = {};
    for (const which of ["before", "after"])
      if (t.peaks && t.peaks[which]) made[which] = pyramid(new Int8Array((await inflate(t.peaks[which])).buffer));
    waves.set(index, made);
    schedule();
  };

  // ---- the common time axis
  const view = { from: 0, to: Math.max(data.seconds, 0.01) };
  const least = 0.02;
  const setView = (from, to) => {
    let span = Math.min(Math.max(to - from, least), data.seconds);
    from = Math.min(Math.max(from, 0), Math.max(data.seconds - span, 0));
    view.from = from; view.to = from + span;
    schedule();
  };
  const zoom = (factor, at) => {
    const centre = at === undefined ? (view.from + view.to) / 2 : at, share = (centre - view.from) / (view.to - view.from);
    const span = Math.min(Math.max((view.to - view.from) * factor, least), data.seconds);
    setView(centre - share * span, centre - share * span + span);
  };
  const clock = (s) => {
    const m = Math.floor(s / 60), digits = view.to - view.from < 2 ? 4 : 2;
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
  const drawWave = (g, levels, w, top, height, colour) => {
    const perPixel = ((view.to - view.from) * data.peaks_per_s) / w;
    let level = 0, scale = 1;
    while (level + 1 < levels.length && scale * 8 <= perPixel) { level++; scale *= 8; }
    const flat = levels[level], middle = top + height / 2, half = height / 2 / 127;
    g.fillStyle = colour;
    g.beginPath();
    for (let x = 0; x < w; x++) {
      const a = Math.floor((view.from * data.peaks_per_s + x * perPixel) / scale);
      const b = Math.max(a + 1, Math.floor((view.from * data.peaks_per_s + (x + 1) * perPixel) / scale));
      let low = 127, high = -127;
      for (let k = a; k < b && 2 * k + 1 < flat.length; k++) {
        if (flat[2 * k] < low) low = flat[2 * k];
        if (flat[2 * k + 1] > high) high = flat[2 * k + 1];
      }
      if (high >= low && (high !== 0 || low !== 0)) g.rect(x, middle - high * half, 1, Math.max((high - low) * half, 1));
    }
    g.fill();
  };
  const drawTrack = (section) => {
    const index = Number(section.dataset.index), t = data.tracks[index], canvas = section.querySelector("canvas.wave");
    const [g, w, h, ratio] = fit(canvas), at = (s) => ((s - view.from) / (view.to - view.from)) * w;
    const head = 13 * ratio;
    g.fillStyle = colours.open;
    for (const [a, b] of t.spans) if (b > view.from && a < view.to) g.fillRect(at(a), head, Math.max(at(b) - at(a), 1), h - head);
    const made = waves.get(index);
    if (made && made.before) drawWave(g, made.before, w, head, h - head, made.after ? colours.before : colours.after);
    if (made && made.after) drawWave(g, made.after, w, head, h - head, colours.after);
    g.strokeStyle = colours.edge; g.lineWidth = 1.5 * ratio;
    for (const [a, b] of t.spans) {
      if (b < view.from || a > view.to) continue;
      const foot = 5 * ratio; // start and end marks: brackets that open towards the span
      for (const [s, d] of [[a, 1], [b, -1]]) {
        const x = at(s);
        g.beginPath(); g.moveTo(x + d * foot, head); g.lineTo(x, head); g.lineTo(x, h); g.lineTo(x + d * foot, h); g.stroke();
      }
    }
    g.font = 11 * ratio + "px system-ui, sans-serif"; g.textAlign = "center";
    let lastText = -1e9;
    for (const [s, confidence] of t.hits) {
      if (s < view.from || s > view.to) continue;
      const x = at(s), doubtful = confidence < data.sure;
      g.fillStyle = g.strokeStyle = doubtful ? colours.doubt : colours.ink;
      g.beginPath(); g.moveTo(x, head - 1); g.lineTo(x - 4 * ratio, head - 9 * ratio); g.lineTo(x + 4 * ratio, head - 9 * ratio); g.closePath();
      if (doubtful) g.stroke(); else g.fill();
      if (doubtful && x - lastText > 9 * ratio) { g.fillText("?", x + 9 * ratio, head - 2 * ratio); lastText = x; }
    }
    for (const over of hooks.draw) over(g, index, t, at, w, h, ratio, colours);
    const player = playing && playing.index === index ? playing.audio : null;
    if (player) { const x = at(player.currentTime + t.offset); g.fillStyle = colours.ink; g.fillRect(x, 0, ratio, h); }
  };
  const samples = (text) => new Int16Array(bytes(text).buffer);
  const drawMeeting = (canvas, t) => {
    const m = t.meeting, [g, w, h, ratio] = fit(canvas), close = samples(m[canvas.dataset.side]), far = samples(m.overhead), n = Math.min(close.length, far.length);
    const line = (v, colour, dash) => {
      let top = 1; for (const s of v) top = Math.max(top, Math.abs(s));
      g.strokeStyle = colour; g.lineWidth = 1.4 * ratio; g.setLineDash(dash);
      g.beginPath();
      for (let k = 0; k < n; k++) { const x = (k / (n - 1)) * w, y = h / 2 - (v[k] / top) * h * 0.45; if (k) g.lineTo(x, y); else g.moveTo(x, y); }
      g.stroke(); g.setLineDash([]);
    };
    line(far, colours.before, [5 * ratio, 3 * ratio]);
    line(close, colours.after, []);
    g.fillStyle = colours.soft; g.font = 11 * ratio + "px system-ui, sans-serif"; g.textAlign = "left";
    g.fillText(canvas.dataset.side + ": solid " + t.label + ", dashed " + m.target + (canvas.dataset.side === "after" ? ", moved " + m.ms + " ms" : "") + ", mean of the loudest hits", 6 * ratio, 13 * ratio);
  };

  const visible = new Set();
  let asked = false;
  const schedule = () => { if (!asked) { asked = true; requestAnimationFrame(draw); } };
  const where = document.getElementById("where");
  const draw = () => {
    asked = false;
    for (const section of visible) {
      drawTrack(section);
      const t = data.tracks[Number(section.dataset.index)];
      if (t.meeting) for (const canvas of section.querySelectorAll("canvas.meet")) drawMeeting(canvas, t);
    }
    where.textContent = clock(view.from) + " to " + clock(view.to);
    if (playing && !playing.audio.paused) schedule();
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
    audio.play().then(schedule, () => { where.textContent = "This browser cannot play " + t.label + " (" + button.dataset.which + ")."; stop(); });
    audio.onended = stop;
  };

  // ---- what the user does
  const jump = (index, s) => {
    const section = document.getElementById("track-" + index);
    if (!section) return;
    const span = Math.min(Math.max(view.to - view.from, 0.4), 1.6);
    setView(s - span * 0.3, s + span * 0.7);
    section.scrollIntoView({ block: "center" });
    section.querySelector("canvas.wave").focus({ preventScroll: true });
  };
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.classList.contains("jump")) jump(button.dataset.track, Number(button.dataset.time));
    else if (button.classList.contains("hear")) hear(button.closest("section"), button);
    else if (button.classList.contains("stop")) stop();
  });
  const move = (share) => setView(view.from + share * (view.to - view.from), view.to + share * (view.to - view.from));
  const press = { whole: () => setView(0, data.seconds), closer: () => zoom(0.5), wider: () => zoom(2), earlier: () => move(-0.4), later: () => move(0.4) };
  for (const [id, action] of Object.entries(press)) document.getElementById(id).addEventListener("click", action);
  const questions = [...document.querySelectorAll("ol.questions button.jump")];
  let asking = -1;
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || /^(INPUT|SELECT|TEXTAREA|AUDIO)$/.test(event.target.tagName)) return;
    const keys = {
      ArrowLeft: () => move(-0.2), ArrowRight: () => move(0.2), "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2), 0: () => setView(0, data.seconds),
      n: () => { if (questions.length) { asking = (asking + 1) % questions.length; questions[asking].click(); } },
      p: () => { if (questions.length) { asking = (asking + questions.length - 1) % questions.length; questions[asking].click(); } },
      Escape: stop,
    };
    const action = keys[event.key] || keys[event.key.toLowerCase()];
    if (action) { event.preventDefault(); action(); }
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
  readColours();
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { readColours(); schedule(); });
  window.addEventListener("resize", schedule);
  schedule();
  window.page = { data, view, setView, schedule, jump, hooks, colours, stop, clock };
})();
