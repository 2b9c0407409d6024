// @ts-check
/** The clock: walks the searchers along, shows what is in range so far, and a published survival curve. */

import { button, field, fill, h, select } from "./dom.js";
import { ground, themeKey } from "./look.js";
import { map, put, still } from "./mapview.js";
import { T } from "./text.js";

const EMPTY = { type: "FeatureCollection", features: [] };
const SHOWN_S = 14; // a whole search is played in about this time

/** @type {any} */
let laid = null;
/** @type {Array<{searcher: number, legs: any[], end: number}>} */
let walks = [];
let now = 0;
let playing = false;
let curve = "";
let gone = 5;
/** @type {any} */
let parts = null;
let end = 1;

/** Forget the walk. */
export function clear() {
  laid = null;
  playing = false;
  put("walkers", EMPTY);
  put("trail", EMPTY);
}

/** Take a new layout; the time stays where it can. @param {any} found */
export function take(found) {
  laid = found;
  walks = [];
  for (const one of found.route.features) {
    const p = one.properties;
    let walk = walks.find((w) => w.searcher === p.searcher);
    if (!walk) walks.push((walk = { searcher: p.searcher, legs: [], end: 0 }));
    walk.legs.push({ from: walk.end, to: walk.end + p.time_s, kind: p.kind, line: one.geometry.coordinates, said: p.reason });
    walk.end += p.time_s;
  }
  end = Math.max(1, ...walks.map((w) => w.end));
  now = Math.min(now, end);
  if (parts) {
    parts.slider.max = String(Math.ceil(end));
    update();
  }
}

/**
 * The controls.
 * @param {any} survival
 */
export function controls(survival) {
  curve ||= survival.default;
  const play = button(playing ? T.search.pause : T.search.play, () => {
    playing = !playing;
    play.textContent = playing ? T.search.pause : T.search.play;
    if (playing && now >= end - 0.5) now = 0;
    if (playing) requestAnimationFrame(tick);
  }, { class: "main" });
  const slider = h("input", { type: "range", min: 0, max: Math.ceil(end), step: 1, value: String(now), oninput: (/** @type {any} */ e) => { now = Number(e.target.value); update(); } });
  const reading = h("dl", { class: "clock-reading" });
  const about = h("p", { class: "help" });
  const minutes = h("input", { type: "number", min: 0, max: 120, step: 1, value: String(gone), oninput: (/** @type {any} */ e) => { gone = Math.max(0, Math.min(120, Number(e.target.value) || 0)); update(); } });
  const curves = select(Object.fromEntries(survival.curves.map((/** @type {any} */ one) => [one.name, `${one.name}: ${one.title}`])), curve, (name) => { curve = name; update(); });
  parts = { slider, reading, about, play, survival };
  const box = h("section", { class: "clock", "aria-label": T.search.clock },
    h("h3", {}, T.search.clock), h("div", { class: "row" }, play, h("output", { class: "time" })), field(T.search.time, slider), reading,
    field(T.search.curve, curves), about, field(T.search.gone, minutes));
  parts.time = box.querySelector("output");
  if (laid) update();
  return box;
}

let last = 0;
/** @param {number} stamp */
function tick(stamp) {
  if (!playing || !laid || !parts?.slider.isConnected) { playing = false; last = 0; return; }
  if (last) now += ((stamp - last) / 1000) * (end / SHOWN_S);
  last = stamp;
  if (now >= end || still()) {
    now = Math.min(now, end);
    if (still()) now = end;
    playing = false;
    last = 0;
    parts.play.textContent = T.search.play;
  }
  update();
  if (playing) requestAnimationFrame(tick);
}

function update() {
  if (!laid || !parts) return;
  parts.slider.value = String(Math.round(now));
  parts.slider.setAttribute("aria-valuetext", T.minutes(now));
  parts.time.textContent = T.minutes(now);
  const [debris, poa] = sofar(now);
  const one = parts.survival.curves.find((/** @type {any} */ c) => c.name === curve);
  const minute = gone + now / 60;
  const low = one.percent[Math.floor(minute)], high = one.percent[Math.min(one.percent.length - 1, Math.ceil(minute))];
  const percent = low === null || high === null || low === undefined || high === undefined ? null : low + (high - low) * (minute % 1);
  const rows = [
    [T.search.debris, T.percent(debris), debris], ...(poa === null ? [] : [[T.search.poa, T.percent(poa), poa]]),
    [T.search.alive(Math.round(minute), curve), percent === null ? T.search.noData : `${percent.toFixed(0)} %`, percent === null ? 0 : percent / 100],
  ];
  fill(parts.reading, rows.map(([name, text, share], k) => [h("dt", {}, k < rows.length - 1 ? `${T.search.sofar}: ${name}` : name), h("dd", {}, h("span", { class: "num" }, text), meter(/** @type {number} */ (share), k === rows.length - 1))]));
  parts.about.textContent = `${one.source}.`;
  draw();
}

/**
 * @param {number} share
 * @param {boolean} person
 */
function meter(share, person) {
  return h("svg", { class: `meter${person ? " person" : ""}`, viewBox: "0 0 100 6", preserveAspectRatio: "none", "aria-hidden": "true" }, h("rect", { width: 100, height: 6, class: "all" }), h("rect", { width: Math.max(0, Math.min(100, share * 100)), height: 6, class: "part" }));
}

/** @param {number} t @returns {[number, number | null]} */
function sofar(t) {
  const rows = laid.covered;
  let k = rows.findIndex((/** @type {any} */ row) => row[0] >= t);
  if (k < 0) k = rows.length - 1;
  const b = rows[k], a = rows[Math.max(0, k - 1)];
  const f = b[0] > a[0] ? (t - a[0]) / (b[0] - a[0]) : 1;
  return [a[1] + (b[1] - a[1]) * f, b[2] === null ? null : a[2] + (b[2] - a[2]) * f];
}

function draw() {
  const walkers = [], trails = [];
  for (const walk of walks) {
    let here = walk.legs[0]?.line[0];
    /** @type {any[]} */
    let trail = [];
    for (const leg of walk.legs) {
      if (leg.from > now) break;
      const f = leg.to > leg.from ? Math.min(1, (now - leg.from) / (leg.to - leg.from)) : 1;
      const [a, b] = leg.line;
      here = [a[0] + (b[0] - a[0]) * f, a[1] + (b[1] - a[1]) * f];
      if (leg.kind !== "approach") trail = trail.length ? [...trail, here] : [a, here];
    }
    if (here) walkers.push({ type: "Feature", properties: { label: T.search.short(walk.searcher) }, geometry: { type: "Point", coordinates: here } });
    if (trail.length > 1) trails.push({ type: "Feature", properties: {}, geometry: { type: "LineString", coordinates: trail } });
  }
  put("walkers", { type: "FeatureCollection", features: walkers });
  put("trail", { type: "FeatureCollection", features: trails });
  layers();
}

function layers() {
  const latitude = map.getCenter().lat;
  const at22 = laid.strip_width_m / ((40075016.7 * Math.cos((latitude * Math.PI) / 180)) / 512 / 2 ** 22);
  const width = ["interpolate", ["exponential", 2], ["zoom"], 0, at22 / 2 ** 22, 22, at22];
  if (!map.getLayer("trail")) {
    const before = map.getLayer("route-casing") ? "route-casing" : undefined;
    map.addLayer({ id: "trail", type: "line", source: "trail", layout: { "line-cap": "round", "line-join": "round" }, paint: { "line-opacity": 0.5 } }, before);
  }
  map.setPaintProperty("trail", "line-width", width);
  map.setPaintProperty("trail", "line-color", themeKey() === "dark" ? "#000000" : "#ffffff");
  if (!map.getLayer("walkers")) {
    map.addLayer({ id: "walkers", type: "symbol", source: "walkers", layout: { "icon-allow-overlap": true, "icon-ignore-placement": true } });
  }
  map.setLayoutProperty("walkers", "icon-image", ["concat", `label|walker|${themeKey()}|`, ["get", "label"]]);
}

/** Colours by day or night. */
export const recolour = () => { if (laid && map.getLayer("walkers")) { ground(); layers(); } };
