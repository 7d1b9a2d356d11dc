// One closure: points that were fitted, points that were left out, every model's curve, and
// what the chosen one leaves over.
"use strict";

const closureBox = document.getElementById("closure");
if (closureBox) {
  fetch(closureBox.dataset.from).then((a) => a.json()).then((found) => {
    for (const place of closureBox.querySelectorAll(".closure-chart")) {
      const gas = found.gases[place.dataset.gas];
      if (gas) gasChart(place, gas, found.length_s);
    }
    closureBox.dataset.ready = "1";
  });
}

function gasChart(place, gas, length) {
  const canvas = place.querySelector(".canvas"), below = place.querySelector(".residuals");
  const dots = (colour, size, fill) => ({ stroke: colour, paths: () => null, points: { show: true, size, fill, width: 1.5 } });
  const tables = [], series = [{ label: "s" }], entries = [];
  const add = (name, t, y, options, look, hollow) => {
    if (!t.length) return;
    entries.push({ name, look, hollow, series: [series.length] });
    series.push({ label: name, ...options });
    tables.push([t, y]);
  };
  const few = gas.fitted.t.length < 30;
  const grey = { colour: "#8b8a80", dash: [] }, ink = { colour: few ? INK : "#6f7a76", dash: [] };
  add("left out", gas.left_out.t, gas.left_out.y, dots(grey.colour, few ? 3 : 5, "#fff"), grey, true);
  add("fitted", gas.fitted.t, gas.fitted.y, dots(ink.colour, few ? 9 : 4, ink.colour), ink, false);
  // The chosen one last, so that it lies on top.
  const curves = Object.entries(gas.curves).map(([name, c], i) => ({ name, c, look: lookOf(i), chosen: name === gas.chosen }));
  curves.sort((a, b) => a.chosen - b.chosen).forEach(({ name, c, look, chosen }) => {
    add(name.replace("_", " ") + (chosen ? " (chosen)" : ""), c.t, c.y, { stroke: look.colour, dash: look.dash, width: chosen ? 4 : 2, spanGaps: true, points: { show: false } }, look);
  });
  if (!tables.length) { canvas.textContent = "There are no points."; canvas.style.minHeight = "0"; below.remove(); return; }
  const every = [...gas.left_out.t, ...gas.fitted.t], margin = 0.02 * length;
  const range = [Math.min(-margin, ...every), Math.max(length + margin, ...every)];
  const scales = { x: { time: false, range: () => range } };
  const marks = [[0, "lid closed"], [length, "lid open"]];
  const options = { width: canvas.clientWidth, height: 320, series, scales, axes: axes("nmol mol⁻¹, dry"), legend: { show: false }, cursor: { drag: { x: false, y: false } }, hooks: { draw: [(u) => lidMarks(u, marks)] } };
  const plot = new uPlot(options, uPlot.join(tables), canvas);
  legend(place.querySelector(".legend"), plot, entries);
  if (!gas.residuals.length) { below.remove(); return; }
  new uPlot({
    width: below.clientWidth, height: 130, scales, axes: axes("left over"), legend: { show: false }, cursor: { drag: { x: false, y: false } },
    series: [{}, dots(INK, few ? 9 : 4, INK)],
    hooks: { draw: [(u) => zeroLine(u)] },
  }, [gas.fitted.t, gas.residuals], below);
}

function lidMarks(u, marks) {
  const c = u.ctx;
  c.save();
  c.strokeStyle = SOFT; c.fillStyle = INK; c.setLineDash([3, 4]); c.font = 12 * devicePixelRatio + "px sans-serif";
  marks.forEach(([t, text], i) => {
    const x = u.valToPos(t, "x", true);
    c.beginPath(); c.moveTo(x, u.bbox.top); c.lineTo(x, u.bbox.top + u.bbox.height); c.stroke();
    c.textAlign = i ? "right" : "left";
    c.fillText(text, x + (i ? -4 : 4) * devicePixelRatio, u.bbox.top + 13 * devicePixelRatio);
  });
  c.restore();
}

function zeroLine(u) {
  const y = u.valToPos(0, "y", true), c = u.ctx;
  c.save(); c.strokeStyle = SOFT; c.beginPath(); c.moveTo(u.bbox.left, y); c.lineTo(u.bbox.left + u.bbox.width, y); c.stroke(); c.restore();
}
