// Keeps a page of Coldledger live, and says so over the whole screen when it no longer is.
// The server renders everything; this only fetches the page again and puts the fresh parts in.
"use strict";

(() => {
  const root = document.documentElement;
  root.classList.add("scripted");
  const by = (id) => document.getElementById(id);

  // A start in progress refreshes itself without us.
  if (root.hasAttribute("data-progress")) return;

  const SILENCE_MS = 15_000; // no beat for this long: the page is dead
  const REFRESH_MS = 5_000; // fresh figures at most this often
  const CALM_MS = 1_500; // do not move buttons under a pointer that has just moved
  const LONGEST_HOLD_MS = 10_000; // but do not hold news back longer than this

  const fresh = root.hasAttribute("data-fresh");
  let offset = 0; // server's wall clock less ours, ms
  let lastBeat = Date.now(); // ours
  let lastBeatText = "";
  let lastRefresh = Date.now();
  let lastMark = null;
  let lastSeq = null;
  let wanted = false;
  let wantedSince = 0;
  let fetching = false;
  let pointerMoved = 0;
  let pointerDown = false;

  const made = Number(root.dataset.made);
  if (made) offset = made - Date.now();
  const now = () => Date.now() + offset;

  // Times are those of the site, whatever this screen's own time zone.
  function siteTime(ms) {
    const form = { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", second: "2-digit", timeZoneName: "short" };
    try {
      return new Intl.DateTimeFormat("en-GB", { ...form, timeZone: root.dataset.zone }).format(ms);
    } catch {
      return new Intl.DateTimeFormat("en-GB", { ...form, timeZone: "UTC" }).format(ms);
    }
  }

  // ---- the pulse -----------------------------------------------------------------------------

  let stream = null;
  let openedAt = 0;

  function connect() {
    if (stream) stream.close();
    openedAt = Date.now();
    stream = new EventSource("/live");
    stream.addEventListener("pulse", (event) => {
      let pulse;
      try { pulse = JSON.parse(event.data); } catch { return; }
      beat(pulse);
    });
  }

  function beat(pulse) {
    lastBeat = Date.now();
    if (pulse.now_ms) offset = pulse.now_ms - lastBeat;
    if (pulse.now_ms) lastBeatText = pulse.now_text;
    const lamp = by("lamp");
    lamp.className = pulse.live ? "lamp on" : "lamp off";
    lamp.querySelector("use").setAttribute("href", pulse.live ? "#well" : "#crossed");
    lamp.lastChild.textContent = pulse.live ? " Live" : " Not live";
    by("at").textContent = pulse.at_text;
    by("unrecorded").hidden = pulse.recording;
    const count = by("count");
    count.textContent = pulse.unacknowledged;
    count.classList.toggle("some", pulse.unacknowledged > 0);
    document.title = document.title.replace(/^\(\d+\) /, "");
    if (pulse.unacknowledged > 0) document.title = `(${pulse.unacknowledged}) ${document.title}`;
    if (!pulse.live) {
      cover(pulse.at_text, "The server answers, but the picture of the plant is old: no tick of the engine has arrived.");
    } else {
      by("cover").hidden = true;
    }
    if (!pulse.ready) { location.reload(); return; }
    const urgent = lastMark !== null && pulse.alarms_mark !== lastMark;
    const moved = lastSeq !== null && pulse.seq !== lastSeq;
    lastMark = pulse.alarms_mark;
    lastSeq = pulse.seq;
    if (urgent || (moved && Date.now() - lastRefresh >= REFRESH_MS)) want();
  }

  function cover(since, why) {
    by("cover-since").textContent = since;
    by("cover-why").textContent = why;
    by("cover").hidden = false;
  }

  function watch() {
    const silence = Date.now() - lastBeat;
    if (silence > SILENCE_MS) {
      cover(lastBeatText || siteTime(lastBeat + offset), "Nothing has come from the server for " + Math.round(silence / 1000) + " s.");
      // A browser gives up on some errors; we do not.
      if (Date.now() - openedAt > SILENCE_MS) connect();
    }
  }

  // ---- fresh parts ---------------------------------------------------------------------------

  function want() {
    if (!fresh) return;
    if (!wanted) wantedSince = Date.now();
    wanted = true;
    refresh();
  }

  // News must not slide a button under a finger that is about to press another.
  function handsOn() {
    if (Date.now() - wantedSince > LONGEST_HOLD_MS && !pointerDown) return false;
    return pointerDown || Date.now() - pointerMoved < CALM_MS;
  }

  async function refresh() {
    if (!wanted || fetching || handsOn()) return;
    wanted = false;
    fetching = true;
    lastRefresh = Date.now();
    try {
      const url = new URL(location.href);
      url.searchParams.delete("recorded");
      const answer = await fetch(url, { headers: { accept: "text/html" }, signal: AbortSignal.timeout(SILENCE_MS) });
      if (answer.ok) take(new DOMParser().parseFromString(await answer.text(), "text/html"));
    } catch {
      // The pulse says when the page is dead; a single lost answer is asked for again.
    } finally {
      fetching = false;
    }
  }

  function take(page) {
    for (const old of document.querySelectorAll("[data-live]")) {
      const part = page.getElementById(old.id);
      if (!part || part.innerHTML === old.dataset.as) continue;
      const focus = old.contains(document.activeElement) ? pathOf(old, document.activeElement) : null;
      const scrolled = [...old.querySelectorAll(".scroll")].map((box) => box.scrollLeft);
      const as = part.innerHTML;
      old.replaceChildren(...part.childNodes);
      old.dataset.as = as;
      [...old.querySelectorAll(".scroll")].forEach((box, n) => { box.scrollLeft = scrolled[n] || 0; });
      if (focus) refocus(old, focus);
    }
    const title = page.title;
    if (title) document.title = title;
    filter();
    count();
  }

  // A focused control is found again by what it is for, not by where it stood.
  function pathOf(part, control) {
    const form = control.closest("form");
    return form ? `form[action="${CSS.escape(form.getAttribute("action"))}"] button` :
      control.href ? `a[href="${CSS.escape(control.getAttribute("href"))}"]` : null;
  }

  function refocus(part, path) {
    const control = part.querySelector(path);
    if (control) control.focus({ preventScroll: true });
  }

  // ---- time left -----------------------------------------------------------------------------

  function words(seconds) {
    const size = Math.abs(seconds);
    if (size < 100) return `${Math.round(seconds)} s`;
    if (size < 6000) return `${Math.floor(size / 60)} min ${String(Math.floor(size % 60)).padStart(2, "0")} s`;
    if (size < 48 * 3600) return `${(size / 3600).toFixed(1)} h`;
    return `${(size / 86400).toFixed(1)} days`;
  }

  function count() {
    for (const clock of document.querySelectorAll("[data-by]")) {
      const left = (Number(clock.dataset.by) - now()) / 1000;
      clock.textContent = left >= 0 ? `${words(left)} left` : `over by ${words(-left)}`;
      clock.classList.toggle("over", left < 0);
    }
  }

  // ---- filter of the channels ----------------------------------------------------------------

  const box = by("filter");

  function filter() {
    if (!box) return;
    const asked = box.value.toLowerCase().split(/\s+/).filter(Boolean);
    for (const section of document.querySelectorAll("section.filtered")) {
      let shown = 0;
      const heading = section.querySelector("h2").textContent.toLowerCase();
      for (const row of section.querySelectorAll("tbody tr")) {
        const text = `${heading} ${row.textContent.toLowerCase()}`;
        row.hidden = !asked.every((word) => text.includes(word));
        if (!row.hidden) shown += 1;
      }
      section.hidden = shown === 0;
    }
  }

  if (box) {
    box.value = new URLSearchParams(location.hash.slice(1)).get("show") || "";
    box.addEventListener("input", () => {
      const hash = box.value ? `#show=${encodeURIComponent(box.value)}` : " ";
      history.replaceState(null, "", hash === " " ? location.pathname + location.search : hash);
      filter();
    });
    filter();
  }

  // ---- reading under the pointer -------------------------------------------------------------

  const SVG = "http://www.w3.org/2000/svg";

  function pointsOf(plot) {
    if (!plot.points) {
      plot.points = [];
      for (const curve of plot.querySelectorAll("[data-points]")) {
        const flat = curve.dataset.points.split(",");
        for (let n = 0; n + 3 < flat.length; n += 4) {
          plot.points.push([Number(flat[n]), flat[n + 1], flat[n + 2], flat[n + 3]]);
        }
      }
    }
    return plot.points;
  }

  function read(plot, event) {
    const frame = plot.getBoundingClientRect();
    const view = plot.viewBox.baseVal;
    const x = (event.clientX - frame.left) * view.width / frame.width;
    const { from, to, left, right, unit } = plot.dataset;
    const part = (x - left) / (right - left);
    const at = Number(from) + part * (to - from);
    let best = null;
    for (const point of pointsOf(plot)) {
      if (!best || Math.abs(point[0] - at) < Math.abs(best[0] - at)) best = point;
    }
    clear(plot);
    if (!best || part < 0 || part > 1) return;
    const px = Number(left) + (best[0] - from) / (to - from) * (right - left);
    const hair = document.createElementNS(SVG, "path");
    hair.setAttribute("class", "hair");
    hair.setAttribute("d", `M${px} 22V${view.height - 26}`);
    const text = document.createElementNS(SVG, "text");
    text.setAttribute("class", "reading");
    text.setAttribute("y", 14);
    const late = px > view.width / 2;
    text.setAttribute("x", late ? right : Number(left) + 4);
    text.setAttribute("text-anchor", late ? "end" : "start");
    text.textContent = `${best[1]} ${unit} (${best[2]} to ${best[3]}), ${siteTime(best[0])}`;
    plot.append(hair, text);
  }

  function clear(plot) {
    for (const old of plot.querySelectorAll(".hair, .reading")) old.remove();
  }

  document.addEventListener("pointermove", (event) => {
    pointerMoved = Date.now();
    const plot = event.target.closest ? event.target.closest("svg.plot") : null;
    for (const other of document.querySelectorAll("svg.plot")) if (other !== plot) clear(other);
    if (plot) read(plot, event);
  });
  document.addEventListener("pointerdown", () => { pointerDown = true; });
  for (const up of ["pointerup", "pointercancel"]) {
    document.addEventListener(up, () => { pointerDown = false; });
  }

  // ---- go ------------------------------------------------------------------------------------

  connect();
  count();
  setInterval(() => { watch(); count(); refresh(); }, 1000);
  // A page brought back from sleep has a dead stream that does not know it.
  document.addEventListener("visibilitychange", () => { if (!document.hidden) watch(); });
})();
