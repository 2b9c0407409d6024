// @ts-check
/** What a plan says, on the map. */

import { api } from "./api.js";
import { dashes, ground, ink, themeKey } from "./look.js";
import { goTo, map, onClick, popup, put } from "./mapview.js";
import { chosen } from "./store.js";
import { T } from "./text.js";

const EMPTY = { type: "FeatureCollection", features: [] };
const STYLES = 6;
/** @type {string | null} */
let shown = null;
/** @type {any} */
let saying = null;
/** @type {Record<string, any>} */
export const data = {};

/** Layers of the plan that are read once. */
const READ = ["release", "flow_paths", "debris", "deposition_zones", "terrain_traps", "person_areas"];
const LANES = ["lanes", "route", "uncovered"];

/** Tell the traps on a click. @param {(number: number) => void} picked */
export function listen(picked) {
  onClick((lonlat, /** @type {any} */ point) => {
    if (!shown || !point || !map.getLayer("trap-fill") || !["read", "search", "hand"].includes(chosen.step)) return false;
    const found = map.queryRenderedFeatures(point, { layers: ["lane-hit", "trap-fill", "zone-fill"].filter((id) => map.getLayer(id)) });
    if (!found.length) return false;
    const one = found[0];
    say(lonlat, one.properties.reason + (one.properties.shares ? ` ${one.properties.shares}` : ""));
    if (one.layer.id === "trap-fill") picked(one.properties.number);
    return true;
  });
}

/**
 * @param {[number, number]} at
 * @param {string} text
 */
export function say(at, text) {
  saying?.remove();
  saying = popup(at, text);
}

/** Take the plan off the map. */
export function clear() {
  shown = null;
  saying?.remove();
  for (const id of ALL) if (map.getLayer(id)) map.removeLayer(id);
  for (const id of ["plan-raster", ...READ, ...LANES, "trap-points", "zone-points", "lane-points", "ways", "trap-chosen"]) if (map.getSource(id)) map.removeSource(id);
}

/**
 * Show a plan.
 * @param {string} plan
 * @param {string} colour
 */
export async function show(plan, colour) {
  if (shown === plan) return;
  const read = await Promise.all([...READ, ...LANES].map((name) => api.layer(plan, name).catch(() => EMPTY)));
  clear();
  [...READ, ...LANES].forEach((name, k) => { data[name] = read[k]; });
  for (const name of READ) put(name, data[name]);
  put("trap-points", points(data.terrain_traps, (/** @type {any} */ p) => `${p.letter}${p.number}`));
  put("zone-points", points(data.deposition_zones, T.read.zoneShort));
  put("trap-chosen", EMPTY);
  for (const name of LANES) put(name, data[name]);
  put("lane-points", EMPTY);
  put("ways", EMPTY);
  shown = plan;
  colourBy(plan, colour);
  layers();
  lanes(data.lanes, data.route, data.uncovered);
}

/** Move to the lanes and the debris that they cover. */
export function goLanes() {
  const box = shown ? bounds([...data.lanes.features, ...data.debris.features.filter((/** @type {any} */ one) => one.properties.searched === 1)]) : null;
  if (box) goTo(box, 18);
}

/** Move to where the plan is. */
export function go() {
  const box = bounds([...data.debris.features, ...data.release.features]);
  if (box) goTo(box, 18);
}

/**
 * @param {string} plan
 * @param {string} kind
 */
export function colourBy(plan, kind) {
  if (map.getLayer("plan-raster")) map.removeLayer("plan-raster");
  if (map.getSource("plan-raster")) map.removeSource("plan-raster");
  if (kind === "none") return;
  map.addSource("plan-raster", { type: "raster", tiles: [api.planTiles(plan, kind)], tileSize: 256, minzoom: 10, maxzoom: 17 });
  const before = ["contours", ...ALL].find((id) => map.getLayer(id));
  map.addLayer({ id: "plan-raster", type: "raster", source: "plan-raster", paint: { "raster-fade-duration": 0, "raster-resampling": "nearest", "raster-opacity": 0.92 } }, before);
}

const ALL = [
  "plan-raster", "zone-fill", "zone-line", "trap-fill", "trap-line", "debris-line", "flow-corridor", "flow-main", "release-fill", "release-line",
  "person-half", "person-most", "uncovered-fill", "uncovered-line", "trail", "route-casing", "route-line", "lane-casing",
  ...Array.from({ length: STYLES }, (_, k) => `lane-${k}`), "lane-hit", "lane-ways", "trap-chosen", "zone-labels", "trap-labels", "lane-labels", "walkers",
];

function layers() {
  const g = ground(), p = ink(), key = themeKey();
  const kinds = Object.entries(p.traps.signs);
  const add = (/** @type {string} */ id, /** @type {string} */ type, /** @type {string} */ source, /** @type {any} */ paint, more = {}) => {
    if (map.getLayer(id)) map.removeLayer(id);
    map.addLayer({ id, type, source, paint, ...more });
  };
  add("zone-fill", "fill", "deposition_zones", { "fill-color": g.outline, "fill-opacity": 0.01 });
  add("zone-line", "line", "deposition_zones", { "line-color": g.outline, "line-width": 0.9, "line-dasharray": [1, 2] });
  add("trap-fill", "fill", "terrain_traps", { "fill-pattern": ["match", ["get", "kind"], ...kinds.flatMap(([kind, /** @type {any} */ sign]) => [kind, `hatch|${sign.hatch}|${key}`]), `hatch|////|${key}`], "fill-opacity": 0.55 });
  add("trap-line", "line", "terrain_traps", { "line-color": g.trap, "line-width": 0.9, "line-opacity": 0.8 });
  add("debris-line", "line", "debris", { "line-color": g.outline, "line-width": ["case", ["==", ["get", "searched"], 1], 2.2, 0.8] });
  add("flow-corridor", "line", "flow_paths", { "line-color": p.snow.corridor, "line-width": 0.9, "line-dasharray": dashes(p.snow.dashes.corridor, 0.9) }, { filter: ["==", ["get", "kind"], "corridor"] });
  add("flow-main", "line", "flow_paths", { "line-color": g.path, "line-width": 1.8, "line-dasharray": dashes(p.snow.dashes.path, 1.8) }, { filter: ["==", ["get", "kind"], "main"] });
  add("release-fill", "fill", "release", { "fill-color": g.release, "fill-opacity": 0.12 });
  add("release-line", "line", "release", { "line-color": g.release, "line-width": 1.8, "line-dasharray": dashes(p.snow.dashes.release, 1.8) });
  add("person-half", "line", "person_areas", { "line-color": g.person, "line-width": 2.2 }, { filter: ["==", ["get", "share"], 0.5] });
  add("person-most", "line", "person_areas", { "line-color": g.person, "line-width": 1.6, "line-dasharray": dashes(p.person.dashes.most, 1.6) }, { filter: ["==", ["get", "share"], 0.9] });
  add("uncovered-fill", "fill", "uncovered", { "fill-pattern": `hatch|${p.lanes.uncovered}|${key}`, "fill-opacity": 0.9 });
  add("uncovered-line", "line", "uncovered", { "line-color": g.trap, "line-width": 0.7 });
  add("route-casing", "line", "route", { "line-color": g.casing, "line-width": 3.2, "line-opacity": 0.8 }, { filter: ["!=", ["get", "kind"], "lane"] });
  add("route-line", "line", "route", { "line-color": g.lane, "line-width": 1.4, "line-dasharray": dashes(p.lanes.approach, 1.4) }, { filter: ["!=", ["get", "kind"], "lane"] });
  add("lane-casing", "line", "lanes", { "line-color": g.casing, "line-width": 5.2, "line-opacity": 0.9 });
  for (let k = 0; k < STYLES; k += 1) {
    add(`lane-${k}`, "line", "lanes", { "line-color": g.lane, "line-width": 2.3, "line-dasharray": dashes(p.lanes.dashes[k % p.lanes.dashes.length], 2.3) },
      { filter: ["==", ["%", ["-", ["get", "searcher"], 1], STYLES], k] });
  }
  add("lane-hit", "line", "lanes", { "line-color": "#000000", "line-opacity": 0.01, "line-width": 14 });
  add("trap-chosen", "line", "trap-chosen", { "line-color": g.person, "line-width": 3 });
  const icon = (/** @type {string} */ kind) => ({ layout: { "icon-image": ["concat", `label|${kind}|${key}|`, ["get", "label"]], "icon-allow-overlap": kind === "lane", "icon-ignore-placement": kind === "lane" } });
  add("lane-ways", "symbol", "ways", {}, { layout: { "symbol-placement": "line-center", "icon-image": `arrow|lane|${key}`, "icon-rotation-alignment": "map", "icon-allow-overlap": true, "icon-ignore-placement": true } });
  add("zone-labels", "symbol", "zone-points", {}, icon("zone"));
  add("trap-labels", "symbol", "trap-points", {}, icon("trap"));
  add("lane-labels", "symbol", "lane-points", {}, icon("lane"));
}

/** Colours by day or night. */
export function recolour() {
  if (shown) layers();
}

/**
 * Put lanes on the map.
 * @param {any} found
 * @param {any} route
 * @param {any} uncovered
 */
export function lanes(found, route, uncovered) {
  if (!shown) return;
  put("lanes", found);
  put("route", route);
  put("uncovered", uncovered);
  Object.assign(data, { lanes: found, route });
  const legs = route.features.filter((/** @type {any} */ one) => one.properties.kind === "lane");
  const first = found.features.map((/** @type {any} */ one) => legs.find((/** @type {any} */ leg) => leg.properties.lane === one.properties.number) || one);
  put("ways", { type: "FeatureCollection", features: legs });
  put("lane-points", {
    type: "FeatureCollection",
    features: found.features.map((/** @type {any} */ one, /** @type {number} */ k) => ({ type: "Feature", properties: { label: String(one.properties.number) }, geometry: { type: "Point", coordinates: first[k].geometry.coordinates[0] } })),
  });
}

/** Outline one trap. @param {number | null} number */
export function chooseTrap(number) {
  const found = data.terrain_traps?.features.filter((/** @type {any} */ one) => one.properties.number === number) || [];
  put("trap-chosen", { type: "FeatureCollection", features: found });
  const box = bounds(found);
  if (box) {
    const seen = map.getBounds();
    if (!seen.contains([box[0], box[1]]) || !seen.contains([box[2], box[3]])) goTo(box, Math.max(15, map.getZoom()));
  }
}

/**
 * @param {any} collection
 * @param {(properties: any) => string} label
 */
function points(collection, label) {
  return {
    type: "FeatureCollection",
    features: collection.features.map((/** @type {any} */ one) => {
      const box = bounds([one]) || [0, 0, 0, 0];
      return { type: "Feature", properties: { label: label(one.properties) }, geometry: { type: "Point", coordinates: [(box[0] + box[2]) / 2, (box[1] + box[3]) / 2] } };
    }),
  };
}

/** @param {any[]} features */
export function bounds(features) {
  const box = [Infinity, Infinity, -Infinity, -Infinity];
  const walk = (/** @type {any} */ c) => {
    if (typeof c[0] === "number") {
      box[0] = Math.min(box[0], c[0]); box[1] = Math.min(box[1], c[1]);
      box[2] = Math.max(box[2], c[0]); box[3] = Math.max(box[3], c[1]);
    } else c.forEach(walk);
  };
  for (const one of features) walk(one.geometry.coordinates);
  return Number.isFinite(box[0]) ? box : null;
}
