// @ts-check
/** The long profile: ground and debris along the main path, linked to the map by hover and by keys. */

import { byId, fill, h } from "./dom.js";
import { nearestTo } from "./geometry.js";
import { ground, ink } from "./look.js";
import { map, put } from "./mapview.js";
import { T } from "./text.js";
import { metres } from "./units.js";

/** @typedef {import("./types.js").Profile} Profile */
/** @typedef {import("./types.js").Crossing} Crossing */

/**
 * How the profile is laid out in pixels.
 * @typedef {Object} Chart
 * @property {number} wide
 * @property {number} high
 * @property {number} end length of the path, m
 * @property {number} low lowest height that is drawn, m
 * @property {number} highest highest height that is drawn, m
 * @property {number} times how many times as thick the debris is drawn
 * @property {(m: number) => number} x
 * @property {(m: number) => number} y
 */

const THICKER = [10, 20, 50, 100, 200]; // times the debris is drawn as thick
const SEEN = 0.14; // of the height of the drawing, so that debris shows
const NEAR_M = 40; // of the mouse on the map from the path
const LABEL_PX = 22;
const NARROW_PX = 500;
const LEFT = 44,
  RIGHT = 10,
  TOP = 16,
  BOTTOM = 20;
const MOVES = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 20, PageDown: -20 };
const ENDS = { Home: -1e6, End: 1e6 };

/** @type {Profile | null} */
let shown = null;
let at = 0;
let touched = false;

/** Take it away. */
export function hide() {
  shown = null;
  byId("profile").hidden = true;
  byId("profile").replaceChildren();
  put("profile-point", { type: "FeatureCollection", features: [] });
}

/** @param {Profile} profile */
export function show(profile) {
  shown = profile;
  at = 0;
  touched = false;
  draw();
}

/** Draw it again, after its place or the colours changed. */
export function draw() {
  if (!shown) return;
  const profile = shown,
    box = byId("profile");
  box.hidden = false;
  const chart = chartOf(profile, Math.max(260, (box.clientWidth || 624) - 24));
  const { wide, high, x, y } = chart;
  const line = h("line", { y1: TOP - 4, y2: high - BOTTOM }),
    dot = h("circle", { r: 4.5 });
  const svg = h(
    "svg",
    { viewBox: `0 0 ${wide} ${high}`, width: wide, height: high, "aria-hidden": "true" },
    axes(chart),
    surfaces(profile, chart),
    trapMarks(profile.traps, chart),
    lastSeenMark(profile, chart),
    h("g", { class: "cross" }, line, dot),
  );
  const reading = h("span", { class: "reading" });
  const slider = h(
    "div",
    {
      class: "chart",
      role: "slider",
      tabindex: "0",
      "aria-label": `${T.read.profile}. ${T.read.profileHelp}`,
      "aria-valuemin": 0,
      "aria-valuemax": Math.round(chart.end),
      "aria-valuenow": Math.round(profile.d_m[at]),
      onkeydown: (/** @type {KeyboardEvent} */ e) => {
        const move = /** @type {Record<string, number>} */ ({ ...MOVES, ...ENDS })[e.key];
        if (move === undefined) return;
        e.preventDefault();
        moveTo(at + move * (e.shiftKey ? 10 : 1));
      },
      onpointermove: (/** @type {PointerEvent} */ e) => {
        const bounds = svg.getBoundingClientRect();
        const px = ((e.clientX - bounds.left) / bounds.width) * wide;
        moveTo(Math.round(((px - LEFT) / (wide - LEFT - RIGHT)) * (profile.d_m.length - 1)));
      },
    },
    svg,
  );
  const key = h("span", { class: "key" }, T.read.profileDebris(chart.times));
  fill(box, h("div", { class: "profile-head" }, h("h3", {}, T.read.profile), key, reading), slider);

  function moveTo(/** @type {number} */ k) {
    at = Math.max(0, Math.min(profile.d_m.length - 1, k));
    touched = true;
    const distance = profile.d_m[at],
      height = profile.z_m[at];
    const px = x(distance);
    line.setAttribute("x1", px);
    line.setAttribute("x2", px);
    dot.setAttribute("cx", px);
    dot.setAttribute("cy", height === null ? high - BOTTOM : y(height));
    const text = textAt(profile);
    reading.textContent = text;
    slider.setAttribute("aria-valuenow", String(Math.round(distance)));
    slider.setAttribute("aria-valuetext", text);
    markOnMap(profile);
  }
  if (touched) moveTo(at);
}

/** Debris thickness along the path: mean and 90th percentile. @param {Profile} profile */
function thicknesses(profile) {
  const mean = profile.thickness_m || [];
  return { mean, thick: profile.thick_m || mean };
}

/**
 * @param {Profile} profile
 * @param {number} wide
 * @returns {Chart}
 */
function chartOf(profile, wide) {
  const high = wide < NARROW_PX ? 104 : 150;
  const { thick } = thicknesses(profile);
  const known = profile.z_m.filter((height) => height !== null);
  const lowest = Math.min(...known),
    top = Math.max(...known);
  const low = lowest - 0.1 * (top - lowest); // room for the names of traps
  const thickest = Math.max(0.01, ...thick.filter((thickness) => thickness !== null));
  const times = THICKER.find((n) => n * thickest >= SEEN * (top - lowest)) || THICKER[THICKER.length - 1];
  const surface = profile.z_m.map((height, k) => (height ?? low) + times * (thick[k] || 0));
  const highest = Math.max(top, ...surface) + 0.03 * (top - low);
  const end = profile.d_m[profile.d_m.length - 1];
  const x = (/** @type {number} */ m) => LEFT + (m / end) * (wide - LEFT - RIGHT);
  const y = (/** @type {number} */ m) => TOP + ((highest - m) / Math.max(1, highest - low)) * (high - TOP - BOTTOM);
  return { wide, high, end, low, highest, times, x, y };
}

/** Lines of equal height and numbers along both axes. @param {Chart} chart */
function axes({ wide, high, end, low, highest, x, y }) {
  const step = [10, 20, 50, 100, 200, 500].find((m) => (highest - low) / m <= 4) || 500;
  const along = [20, 50, 100, 200, 500, 1000].find((m) => end / m <= (wide < NARROW_PX ? 5 : 9)) || 2000;
  const marks = [];
  for (let m = Math.ceil(low / step) * step; m <= highest; m += step) {
    marks.push(
      h("line", { x1: LEFT, x2: wide - RIGHT, y1: y(m), y2: y(m), class: "grid" }),
      h("text", { x: LEFT - 5, y: y(m) + 3.5, "text-anchor": "end" }, `${m}`),
    );
  }
  for (let m = 0; m <= end; m += along) {
    marks.push(h("text", { x: x(m), y: high - 6, "text-anchor": m ? "middle" : "start" }, m ? `${m}` : "0 m"));
  }
  return marks;
}

/** Debris over the ground, and the ground. @param {Profile} profile @param {Chart} chart */
function surfaces(profile, { times, x, y }) {
  const { mean, thick } = thicknesses(profile);
  const p = ink();
  const points = (/** @type {(number | null)[]} */ thickness) =>
    profile.d_m.map((distance, k) => {
      const height = profile.z_m[k];
      return height === null ? null : [x(distance), y(height + times * (thickness[k] || 0))];
    });
  const base = points([]);
  const under = [...base].reverse().filter((point) => point !== null);
  const band = (/** @type {(number | null)[]} */ thickness) =>
    `${pathData(points(thickness))}L${under.map(pointText).join("L")}Z`;
  return [
    thick.length ? h("path", { d: band(thick), fill: p.thickness.ramp[1], opacity: 0.75 }) : null,
    mean.length ? h("path", { d: band(mean), fill: p.debris.outline, opacity: 0.8 }) : null,
    h("path", { d: pathData(base), class: "ground" }),
  ];
}

/** @param {number[]} point */
const pointText = ([x, y]) => `${x.toFixed(1)} ${y.toFixed(1)}`;

/** A path through points; null lifts the pen. @param {(number[] | null)[]} points */
function pathData(points) {
  let pen = "M";
  return points
    .map((point) => {
      const text = point ? `${pen}${pointText(point)}` : "";
      pen = point ? "L" : "M";
      return text;
    })
    .join("");
}

/** Stretches of traps, named where there is room. @param {Crossing[]} traps @param {Chart} chart */
function trapMarks(traps, { high, x }) {
  let labelled = -Infinity;
  return traps.map((trap) => {
    const middle = (x(trap.from_m) + x(trap.to_m)) / 2;
    const named = middle - labelled >= LABEL_PX;
    if (named) labelled = middle;
    const y = high - BOTTOM + 2;
    return h(
      "g",
      { class: "trap" },
      h("line", { x1: x(trap.from_m), x2: Math.max(x(trap.to_m), x(trap.from_m) + 3), y1: y, y2: y }),
      named
        ? h("text", { x: middle, y: high - BOTTOM - 3, "text-anchor": "middle" }, `${trap.letter}${trap.number}`)
        : null,
    );
  });
}

/** @param {Profile} profile @param {Chart} chart */
function lastSeenMark(profile, { x, y }) {
  const m = profile.last_seen_m;
  if (m === null) return null;
  const k = Math.max(
    0,
    profile.d_m.findIndex((distance) => distance >= m),
  );
  return h("g", { class: "lsp" }, h("circle", { cx: x(m), cy: y(profile.z_m[k] ?? 0), r: 4, fill: ground().person }));
}

/** What is said of the chosen point. @param {Profile} profile */
function textAt(profile) {
  const distance = profile.d_m[at],
    thickness = thicknesses(profile).mean[at];
  const within = (/** @type {Crossing} */ crossing) => crossing.from_m <= distance && distance <= crossing.to_m;
  const names = [
    ...profile.traps.filter(within).map((trap) => trap.kind),
    ...profile.zones.filter(within).map((zone) => zone.place),
  ];
  return T.read.profileAt({
    distance: metres(distance),
    height: metres(profile.z_m[at]),
    thick: thickness && thickness > 0.005 ? metres(thickness, 2) : "",
    where: names.join(", "),
  });
}

/** @param {Profile} profile */
function markOnMap(profile) {
  const geometry = { type: "Point", coordinates: profile.lonlat[at] };
  put("profile-point", { type: "Feature", properties: {}, geometry });
  if (map.getLayer("profile-point")) return;
  const g = ground();
  map.addLayer({
    id: "profile-point",
    type: "circle",
    source: "profile-point",
    paint: {
      "circle-radius": 6.5,
      "circle-color": g.lane,
      "circle-stroke-color": g.casing,
      "circle-stroke-width": 2.5,
    },
  });
}

/** Go to the point of the path nearest to a place on the map. @param {import("./types.js").LonLat} lonlat */
export function near(lonlat) {
  if (!shown) return;
  const { index, metres: far } = nearestTo(shown.lonlat, lonlat);
  if (far >= NEAR_M) return;
  at = index;
  touched = true;
  draw();
}
