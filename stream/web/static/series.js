// Charts over time: they ask the station for what fits on the screen, and again when
// somebody looks closer.
"use strict";

for (const box of document.querySelectorAll(".chart")) timeChart(box);

function timeChart(box) {
  const canvas = box.querySelector(".canvas"), status = box.querySelector(".status");
  const state = { from: null, to: null, whole: null, plot: null, asked: 0 };

  async function load(from, to) {
    const asked = ++state.asked;
    const url = new URL(box.dataset.from, location.href);
    url.searchParams.set("steps", Math.max(100, Math.round(canvas.clientWidth / 2)));
    if (from !== null) { url.searchParams.set("from", from); url.searchParams.set("to", to); }
    status.textContent = "Loading …";
    let found;
    try {
      const answer = await fetch(url);
      if (!answer.ok) throw new Error("answer " + answer.status);
      found = await answer.json();
    } catch (error) {
      status.textContent = "The station does not answer (" + error.message + "). Try again.";
      return;
    }
    if (asked !== state.asked) return;
    if (state.whole === null) state.whole = [found.from, found.to];
    state.from = found.from; state.to = found.to;
    draw(found);
    const all = found.shown === found.full ? "every one drawn" : found.shown + " drawn, every extreme among them";
    status.textContent = found.full + " values, " + all + ".";
    box.dataset.ready = String(asked);
  }

  function draw(found) {
    const tables = [], series = [{}], entries = [], closures = [null];
    found.series.forEach((s, i) => {
      const look = lookOf(i);
      const good = { t: [], y: [], c: [] }, doubtful = { t: [], y: [], c: [] };
      s.t.forEach((t, k) => {
        const into = s.quality[k] <= 2 ? good : doubtful;
        into.t.push(t); into.y.push(s.y[k]); into.c.push(s.closed_us[k]);
      });
      const mine = [];
      if (good.t.length) {
        mine.push(series.length);
        series.push({ label: s.name, stroke: look.colour, dash: look.dash, width: 1.5, spanGaps: true, points: { size: 5, fill: look.colour } });
        tables.push([good.t, good.y]); closures.push([s.name, good]);
      }
      if (doubtful.t.length) {
        mine.push(series.length);
        series.push({ label: s.name + ", doubtful", stroke: look.colour, paths: () => null, points: { show: true, size: 8, fill: "#fff", width: 2 } });
        tables.push([doubtful.t, doubtful.y]); closures.push([s.name, doubtful]);
      }
      if (mine.length) entries.push({ name: s.name.replaceAll("_", " "), look, series: mine });
    });
    if (state.plot) state.plot.destroy();
    canvas.replaceChildren();
    if (!tables.length) { canvas.textContent = "Nothing was measured in this time."; return; }
    const data = uPlot.join(tables);
    const height = Math.max(260, Math.min(460, Math.round(canvas.clientWidth * 0.5)));
    state.plot = new uPlot({
      width: canvas.clientWidth, height, series, axes: axes(box.dataset.unit, { values: timeTicks, space: 90, size: 56 }), tzDate: stationDate,
      scales: { x: { min: found.from, max: found.to, auto: false } },
      cursor: { drag: { x: true, y: false, setScale: false }, points: { size: 9 } },
      legend: { show: false },
      hooks: {
        draw: [(u) => events(u, found.events || [])],
        setSelect: [(u) => {
          if (u.select.width < 5) return;
          const a = u.posToVal(u.select.left, "x"), b = u.posToVal(u.select.left + u.select.width, "x");
          u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
          load(a, b);
        }],
      },
    }, data, canvas);
    state.plot.over.addEventListener("click", () => open(state.plot, closures));
    legend(box.querySelector(".legend"), state.plot, entries);
    numbers(found);
  }

  function open(u, closures) {
    const { left, top } = u.cursor;
    let best = null, nearest = 15 * 15;
    for (let i = 1; i < closures.length; i++) {
      if (!u.series[i].show) continue;
      const [name, part] = closures[i];
      part.t.forEach((t, k) => {
        const dx = u.valToPos(t, "x") - left, dy = u.valToPos(part.y[k], "y") - top, d = dx * dx + dy * dy;
        if (d < nearest && part.c[k]) { nearest = d; best = [name, part.c[k]]; }
      });
    }
    if (best) location.href = "/closure/" + encodeURIComponent(best[0]) + "/" + best[1];
  }

  function events(u, found) {
    const c = u.ctx;
    c.save();
    c.strokeStyle = SOFT; c.fillStyle = INK; c.font = 12 * devicePixelRatio + "px sans-serif"; c.setLineDash([4, 4]);
    let last = -1e9, row = 0;
    for (const e of found) {
      const x = u.valToPos(e.t, "x", true);
      if (x < u.bbox.left || x > u.bbox.left + u.bbox.width) continue;
      c.beginPath(); c.moveTo(x, u.bbox.top); c.lineTo(x, u.bbox.top + u.bbox.height); c.stroke();
      row = x - last < 90 * devicePixelRatio ? (row + 1) % 4 : 0;
      last = x;
      const right = x > u.bbox.left + u.bbox.width * 0.85;
      c.textAlign = right ? "right" : "left";
      c.fillText(e.kind.replace("_", " "), x + (right ? -4 : 4) * devicePixelRatio, u.bbox.top + (14 + 14 * row) * devicePixelRatio);
    }
    c.restore();
  }

  function numbers(found) {
    const most = 200, rows = [];
    for (const s of found.series) s.t.forEach((t, k) => rows.push([t, s.name, s.y[k], s.se[k], s.quality[k] <= 2 ? "good" : s.flags[k].replaceAll(" ", ", ").replaceAll("_", " "), s.closed_us[k]]));
    rows.sort((a, b) => b[0] - a[0]);
    const body = element("tbody");
    for (const [t, name, y, se, words, closed] of rows.slice(0, most)) {
      const when = stationText(t);
      const first = closed ? element("a", { href: "/closure/" + encodeURIComponent(name) + "/" + closed }, when) : when;
      body.append(element("tr", {}, element("th", { scope: "row" }, first), element("td", {}, name.replaceAll("_", " ")), element("td", {}, short(y)), element("td", {}, short(se)), element("td", { class: "words" }, words)));
    }
    const head = element("tr");
    for (const word of ["time", "line", box.dataset.unit, "standard error", "flags"]) head.append(element("th", { scope: "col" }, word));
    const caption = element("caption", { class: "why" }, rows.length > most ? "The newest " + most + " of " + rows.length : rows.length + " values");
    box.querySelector(".numbers .wide").replaceChildren(element("table", {}, caption, element("thead", {}, head), body));
  }

  const moves = {
    earlier: ([a, b]) => [a - (b - a) / 2, b - (b - a) / 2],
    later: ([a, b]) => [a + (b - a) / 2, b + (b - a) / 2],
    closer: ([a, b]) => [a + (b - a) / 4, b - (b - a) / 4],
    wider: ([a, b]) => [a - (b - a) / 2, b + (b - a) / 2],
    all: () => [null, null],
  };
  for (const button of box.querySelectorAll("[data-do]")) {
    button.addEventListener("click", () => {
      if (state.from !== null) load(...moves[button.dataset.do]([state.from, state.to]));
      else load(null, null);
    });
  }
  let width = canvas.clientWidth;
  addEventListener("resize", () => {
    if (state.plot && Math.abs(canvas.clientWidth - width) > 20) { width = canvas.clientWidth; load(state.from, state.to); }
  });
  load(null, null);
}
