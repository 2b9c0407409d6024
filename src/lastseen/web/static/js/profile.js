// @ts-check
/** The long profile: ground and debris along the main path, linked to the map by hover and by keys. */

import { byId, fill, h } from "./dom.js";
import { ground, ink } from "./look.js";
import { map, put } from "./mapview.js";
import { T } from "./text.js";
import { metres } from "./units.js";

const THICKER = [10, 20, 50, 100, 200]; // times the debris is drawn as thick
const SEEN = 0.14; // of the height of the drawing, so that debris shows
/** @type {any} */
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

/** @param {any} profile */
export function show(profile) {
  shown = profile;
  at = 0;
  touched = false;
  draw();
}

/** Draw it again, after its place or the colours changed. */
export function draw() {
  if (!shown) return;
  const box = byId("profile");
  box.hidden = false;
  const wide = Math.max(260, (box.clientWidth || 624) - 24), high = wide < 500 ? 104 : 150;
  const left = 44, right = 10, top = 16, bottom = 20;
  const { d_m: d, z_m: z } = shown;
  const mean = shown.thickness_m || [], thick = shown.thick_m || mean;
  const known = z.filter((/** @type {any} */ one) => one !== null);
  const lowest = Math.min(...known), top_m = Math.max(...known), low = lowest - 0.1 * (top_m - lowest); // room for the names of traps
  const thickest = Math.max(0.01, ...thick.filter((/** @type {any} */ one) => one !== null));
  const times = THICKER.find((one) => one * thickest >= SEEN * (top_m - lowest)) || THICKER[THICKER.length - 1];
  const high_m = Math.max(top_m, ...z.map((/** @type {any} */ one, /** @type {number} */ k) => (one ?? low) + times * (thick[k] || 0))) + 0.03 * (top_m - low);
  const end = d[d.length - 1];
  const x = (/** @type {number} */ m) => left + (m / end) * (wide - left - right);
  const y = (/** @type {number} */ m) => top + ((high_m - m) / Math.max(1, high_m - low)) * (high - top - bottom);
  const path = (/** @type {Array<[number, number] | null>} */ pts) => {
    let open = false;
    return pts.map((p) => { if (!p) { open = false; return ""; } const said = `${open ? "L" : "M"}${p[0].toFixed(1)} ${p[1].toFixed(1)}`; open = true; return said; }).join("");
  };
  const over = (/** @type {any[]} */ rows) => d.map((/** @type {number} */ m, /** @type {number} */ k) => (z[k] === null ? null : [x(m), y(z[k] + times * (rows[k] || 0))]));
  const base = over([]);
  const band = (/** @type {any[]} */ rows) => `${path(over(rows))}L${[...base].reverse().filter(Boolean).map((/** @type {any} */ p) => `${p[0].toFixed(1)} ${p[1].toFixed(1)}`).join("L")}Z`;
  const g = ground(), p = ink();
  const step = [10, 20, 50, 100, 200, 500].find((one) => (high_m - low) / one <= 4) || 500;
  const along = [20, 50, 100, 200, 500, 1000].find((one) => end / one <= (wide < 500 ? 5 : 9)) || 2000;
  const marks = [];
  for (let m = Math.ceil(low / step) * step; m <= high_m; m += step) marks.push(h("line", { x1: left, x2: wide - right, y1: y(m), y2: y(m), class: "grid" }), h("text", { x: left - 5, y: y(m) + 3.5, "text-anchor": "end" }, `${m}`));
  for (let m = 0; m <= end; m += along) marks.push(h("text", { x: x(m), y: high - 6, "text-anchor": m ? "middle" : "start" }, m ? `${m}` : "0 m"));
  let labelled = -Infinity;
  const named = (/** @type {any} */ t) => { // no label on another
    const at_px = (x(t.from_m) + x(t.to_m)) / 2;
    if (at_px - labelled < 22) return false;
    labelled = at_px;
    return true;
  };
  const cross = h("g", { class: "cross" }, h("line", { y1: top - 4, y2: high - bottom }), h("circle", { r: 4.5 }));
  const svg = h("svg", { viewBox: `0 0 ${wide} ${high}`, width: wide, height: high, "aria-hidden": "true" },
    marks,
    thick.length ? h("path", { d: band(thick), fill: p.thickness.ramp[1], opacity: 0.75 }) : null,
    mean.length ? h("path", { d: band(mean), fill: p.debris.outline, opacity: 0.8 }) : null,
    h("path", { d: path(base), class: "ground" }),
    shown.traps.map((/** @type {any} */ t) => h("g", { class: "trap" },
      h("line", { x1: x(t.from_m), x2: Math.max(x(t.to_m), x(t.from_m) + 3), y1: high - bottom + 2, y2: high - bottom + 2 }),
      named(t) ? h("text", { x: (x(t.from_m) + x(t.to_m)) / 2, y: high - bottom - 3, "text-anchor": "middle" }, `${t.letter}${t.number}`) : null)),
    shown.last_seen_m !== null ? h("g", { class: "lsp" }, h("circle", { cx: x(shown.last_seen_m), cy: height(shown.last_seen_m, y), r: 4, fill: g.person })) : null,
    cross,
  );
  const reading = h("span", { class: "reading" });
  const slider = h("div", {
    class: "chart", role: "slider", tabindex: "0", "aria-label": `${T.read.profile}. ${T.read.profileHelp}`, "aria-valuemin": 0, "aria-valuemax": Math.round(end), "aria-valuenow": Math.round(d[at]),
    onkeydown: (/** @type {KeyboardEvent} */ e) => {
      const way = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 20, PageDown: -20, Home: -1e6, End: 1e6 }[e.key];
      if (way === undefined) return;
      e.preventDefault();
      to(at + way * (e.shiftKey ? 10 : 1));
    },
    onpointermove: (/** @type {PointerEvent} */ e) => {
      const bounds = svg.getBoundingClientRect();
      to(Math.round((((e.clientX - bounds.left) / bounds.width) * wide - left) / (wide - left - right) * (d.length - 1)));
    },
  }, svg);
  fill(box, h("div", { class: "profile-head" }, h("h3", {}, T.read.profile), h("span", { class: "key" }, T.read.profileDebris(times)), reading), slider);
  const line = cross.querySelector("line"), dot = cross.querySelector("circle");
  function to(/** @type {number} */ k) {
    at = Math.max(0, Math.min(d.length - 1, k));
    touched = true;
    const px = x(d[at]), py = z[at] === null ? high - bottom : y(z[at]);
    line.setAttribute("x1", px); line.setAttribute("x2", px);
    dot.setAttribute("cx", px); dot.setAttribute("cy", py);
    const inside = [...shown.traps.filter((/** @type {any} */ t) => within(t)).map((/** @type {any} */ t) => t.kind), ...shown.zones.filter((/** @type {any} */ t) => within(t)).map((/** @type {any} */ t) => t.place)];
    const text = T.read.profileAt({ distance: metres(d[at]), height: metres(z[at]), thick: mean[at] > 0.005 ? metres(mean[at], 2) : "", where: inside.join(", ") });
    reading.textContent = text;
    slider.setAttribute("aria-valuenow", String(Math.round(d[at])));
    slider.setAttribute("aria-valuetext", text);
    put("profile-point", { type: "Feature", properties: {}, geometry: { type: "Point", coordinates: shown.lonlat[at] } });
    if (!map.getLayer("profile-point")) map.addLayer({ id: "profile-point", type: "circle", source: "profile-point", paint: { "circle-radius": 6.5, "circle-color": g.lane, "circle-stroke-color": g.casing, "circle-stroke-width": 2.5 } });
  }
  const within = (/** @type {any} */ t) => t.from_m <= d[at] && d[at] <= t.to_m;
  if (touched) to(at);
}

/**
 * @param {number} m
 * @param {(z: number) => number} y
 */
function height(m, y) {
  const k = shown.d_m.findIndex((/** @type {number} */ one) => one >= m);
  return y(shown.z_m[Math.max(0, k)] ?? 0);
}

/** The point of the path nearest to a place on the map. @param {[number, number]} lonlat */
export function near(lonlat) {
  if (!shown) return;
  const scale = Math.cos((lonlat[1] * Math.PI) / 180);
  let best = 0, least = Infinity;
  shown.lonlat.forEach((/** @type {number[]} */ one, /** @type {number} */ k) => {
    const far = ((one[0] - lonlat[0]) * scale) ** 2 + (one[1] - lonlat[1]) ** 2;
    if (far < least) [best, least] = [k, far];
  });
  if (Math.sqrt(least) * 111320 < 40) {
    at = best;
    touched = true;
    draw();
  }
}

