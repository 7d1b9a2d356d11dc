// What our charts have in common: lines that are told apart by colour and by dash, marks,
// events, and a legend that is made of check boxes.
"use strict";

const INK = "#1c2321", SOFT = "#4c5552", LINE = "#d5d0c2";
const COLOURS = ["#0b4a6f", "#a3430b", "#24604a", "#7a1f5c", "#5b5200", "#3b3f8f", "#8a1c1c", "#10606b", "#6b4a1a", "#444"];
const DASHES = [[], [10, 4], [2, 3], [12, 3, 2, 3], [6, 6], [16, 4], [2, 6], [8, 3, 2, 3, 2, 3]];

function lookOf(i) {
  return { colour: COLOURS[i % COLOURS.length], dash: DASHES[i % DASHES.length] };
}

function element(name, attributes, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes || {})) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

function sample(look, hollow) {
  const ns = "http://www.w3.org/2000/svg";
  const svg = document.createElementNS(ns, "svg");
  for (const [k, v] of Object.entries({ width: 44, height: 12, viewBox: "0 0 44 12", "aria-hidden": "true" })) svg.setAttribute(k, v);
  const part = document.createElementNS(ns, hollow === undefined ? "line" : "circle");
  const numbers = hollow === undefined
    ? { x1: 0, y1: 6, x2: 44, y2: 6, stroke: look.colour, "stroke-width": 3, "stroke-dasharray": look.dash.join(" ") }
    : { cx: 22, cy: 6, r: 4, stroke: look.colour, "stroke-width": 2, fill: hollow ? "#fff" : look.colour };
  for (const [k, v] of Object.entries(numbers)) part.setAttribute(k, v);
  svg.append(part);
  return svg;
}

// A legend whose entries show and hide lines; `entries` are {name, look, hollow, series: [index]}.
function legend(place, plot, entries) {
  place.replaceChildren();
  for (const entry of entries) {
    const box = element("input", { type: "checkbox" });
    box.checked = true;
    box.addEventListener("change", () => entry.series.forEach((i) => plot.setSeries(i, { show: box.checked })));
    place.append(element("label", {}, box, " ", sample(entry.look, entry.hollow), " " + entry.name));
  }
}

function short(v) {
  if (v === null || v === undefined) return "–";
  const size = Math.abs(v);
  let text = String(Number(v.toPrecision(4)));
  if (size >= 1e4 && size < 1e8) text = Math.round(v).toLocaleString("en").replaceAll(",", "\u202f");
  else if (size >= 1e8 || (v !== 0 && size < 1e-3)) text = v.toExponential(2);
  return text.replace("-", "−");
}

const AXIS = { stroke: INK, grid: { stroke: LINE, width: 1 }, ticks: { stroke: LINE }, font: "13px sans-serif", labelFont: "14px sans-serif" };

function axes(unit, x) {
  return [{ ...AXIS, ...x }, { ...AXIS, label: unit, size: 80, space: 24, values: (_, ticks) => ticks.map(short) }];
}

// Times are the station's, wherever the browser is. Its zone is a name, or an offset.
const ZONE = document.body.dataset.zone;
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

function stationDate(seconds) {
  const offset = /^([+-])(\d\d):(\d\d)$/.exec(ZONE);
  if (!offset) return uPlot.tzDate(new Date(seconds * 1e3), ZONE);
  const shift = (offset[1] === "-" ? -1 : 1) * (60 * Number(offset[2]) + Number(offset[3]));
  return uPlot.tzDate(new Date(seconds * 1e3 + shift * 60e3), "Etc/UTC");
}

const two = (n) => String(n).padStart(2, "0");

function stationText(seconds) {
  const d = stationDate(seconds);
  return d.getFullYear() + "-" + two(d.getMonth() + 1) + "-" + two(d.getDate()) + " " + two(d.getHours()) + ":" + two(d.getMinutes());
}

function timeTicks(_u, ticks, _axis, _space, step) {
  let before = null;
  return ticks.map((t) => {
    const d = stationDate(t), day = d.getDate() + " " + MONTHS[d.getMonth()];
    const year = before === null || d.getFullYear() !== before.getFullYear() ? "\n" + d.getFullYear() : "";
    const fresh = before === null || d.getDate() !== before.getDate();
    before = d;
    if (step >= 86400) return day + year;
    return two(d.getHours()) + ":" + two(d.getMinutes()) + (fresh ? "\n" + day : "");
  });
}
