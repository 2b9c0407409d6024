// @ts-check
/** What a plan says, on the map. */

import { api } from "./api.js";
import { boundsOf } from "./geometry.js";
import { dashes, ground, ink, themeKey } from "./look.js";
import { moveTo, map, onClick, popup, put } from "./mapview.js";
import { chosen } from "./store.js";
import { T } from "./text.js";

/** @type {import("./types.js").Collection} */
const EMPTY = { type: "FeatureCollection", features: [] };
const STYLES = 6;
/** @type {string | null} */
let shown = null;
/** The open popup. @type {{remove: () => void} | null} */
let openPopup = null;
/** @type {Record<string, import("./types.js").Collection>} */
export const data = {};

/** Layers of the plan that are read once. */
const READ = ["release", "flow_paths", "debris", "deposition_zones", "terrain_traps", "person_areas"];
const LANES = ["lanes", "route", "uncovered"];

/** Tell the traps on a click. @param {(number: number) => void} picked */
export function listen(picked) {
  onClick((lonlat, point) => {
    if (!shown || !point || !map.getLayer("trap-fill") || !["read", "search", "hand"].includes(chosen.step)) {
      return false;
    }
    const found = map.queryRenderedFeatures(point, {
      layers: ["lane-hit", "trap-fill", "zone-fill"].filter((id) => map.getLayer(id)),
    });
    if (!found.length) return false;
    const { properties, layer } = found[0];
    say(lonlat, properties.reason + (properties.shares ? ` ${properties.shares}` : ""));
    if (layer.id === "trap-fill") picked(properties.number);
    return true;
  });
}

/**
 * @param {import("./types.js").LonLat} at
 * @param {string} text
 */
export function say(at, text) {
  openPopup?.remove();
  openPopup = popup(at, text);
}

/** Take the plan off the map. */
export function clear() {
  shown = null;
  openPopup?.remove();
  for (const id of ALL) if (map.getLayer(id)) map.removeLayer(id);
  for (const id of [
    "plan-raster",
    ...READ,
    ...LANES,
    "trap-points",
    "zone-points",
    "lane-points",
    "ways",
    "trap-chosen",
  ]) {
    if (map.getSource(id)) map.removeSource(id);
  }
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
  [...READ, ...LANES].forEach((name, k) => {
    data[name] = read[k];
  });
  for (const name of READ) put(name, data[name]);
  put(
    "trap-points",
    points(data.terrain_traps, (p) => `${p.letter}${p.number}`),
  );
  put("zone-points", points(data.deposition_zones, T.read.zoneShort));
  put("trap-chosen", EMPTY);
  for (const name of LANES) put(name, data[name]);
  put("lane-points", EMPTY);
  put("ways", EMPTY);
  shown = plan;
  colourBy(plan, colour);
  layers();
  showLanes(
    /** @type {import("./types.js").Collection<import("./types.js").Lane>} */ (data.lanes),
    /** @type {import("./types.js").Collection<import("./types.js").Leg>} */ (data.route),
    data.uncovered,
  );
}

/** Move to the lanes and the debris that they cover. */
export function moveToLanes() {
  const box = shown
    ? boundsOf([...data.lanes.features, ...data.debris.features.filter(({ properties }) => properties.searched === 1)])
    : null;
  if (box) moveTo(box, 18);
}

/** Move to where the plan is. */
export function moveToPlan() {
  const box = boundsOf([...data.debris.features, ...data.release.features]);
  if (box) moveTo(box, 18);
}

/**
 * @param {string} plan
 * @param {string} kind
 */
export function colourBy(plan, kind) {
  if (map.getLayer("plan-raster")) map.removeLayer("plan-raster");
  if (map.getSource("plan-raster")) map.removeSource("plan-raster");
  if (kind === "none") return;
  map.addSource("plan-raster", {
    type: "raster",
    tiles: [api.planTiles(plan, kind)],
    tileSize: 256,
    minzoom: 10,
    maxzoom: 17,
  });
  const before = ["contours", ...ALL].find((id) => map.getLayer(id));
  map.addLayer(
    {
      id: "plan-raster",
      type: "raster",
      source: "plan-raster",
      paint: { "raster-fade-duration": 0, "raster-resampling": "nearest", "raster-opacity": 0.92 },
    },
    before,
  );
}

const ALL = [
  "plan-raster",
  "zone-fill",
  "zone-line",
  "trap-fill",
  "trap-line",
  "debris-line",
  "flow-corridor",
  "flow-main",
  "release-fill",
  "release-line",
  "person-half",
  "person-most",
  "uncovered-fill",
  "uncovered-line",
  "trail",
  "route-casing",
  "route-line",
  "lane-casing",
  ...Array.from({ length: STYLES }, (_, k) => `lane-${k}`),
  "lane-hit",
  "lane-ways",
  "trap-chosen",
  "zone-labels",
  "trap-labels",
  "lane-labels",
  "walkers",
];

function layers() {
  const g = ground(),
    p = ink(),
    key = themeKey();
  const kinds = Object.entries(p.traps.signs);
  const add = (
    /** @type {string} */ id,
    /** @type {string} */ type,
    /** @type {string} */ source,
    /** @type {object} */ paint,
    more = {},
  ) => {
    if (map.getLayer(id)) map.removeLayer(id);
    map.addLayer({ id, type, source, paint, ...more });
  };
  add("zone-fill", "fill", "deposition_zones", { "fill-color": g.outline, "fill-opacity": 0.01 });
  add("zone-line", "line", "deposition_zones", {
    "line-color": g.outline,
    "line-width": 0.9,
    "line-dasharray": [1, 2],
  });
  add("trap-fill", "fill", "terrain_traps", {
    "fill-pattern": [
      "match",
      ["get", "kind"],
      ...kinds.flatMap(([kind, sign]) => [kind, `hatch|${sign.hatch}|${key}`]),
      `hatch|////|${key}`,
    ],
    "fill-opacity": 0.55,
  });
  add("trap-line", "line", "terrain_traps", { "line-color": g.trap, "line-width": 0.9, "line-opacity": 0.8 });
  add("debris-line", "line", "debris", {
    "line-color": g.outline,
    "line-width": ["case", ["==", ["get", "searched"], 1], 2.2, 0.8],
  });
  add(
    "flow-corridor",
    "line",
    "flow_paths",
    { "line-color": p.snow.corridor, "line-width": 0.9, "line-dasharray": dashes(p.snow.dashes.corridor, 0.9) },
    { filter: ["==", ["get", "kind"], "corridor"] },
  );
  add(
    "flow-main",
    "line",
    "flow_paths",
    { "line-color": g.path, "line-width": 1.8, "line-dasharray": dashes(p.snow.dashes.path, 1.8) },
    { filter: ["==", ["get", "kind"], "main"] },
  );
  add("release-fill", "fill", "release", { "fill-color": g.release, "fill-opacity": 0.12 });
  add("release-line", "line", "release", {
    "line-color": g.release,
    "line-width": 1.8,
    "line-dasharray": dashes(p.snow.dashes.release, 1.8),
  });
  add(
    "person-half",
    "line",
    "person_areas",
    { "line-color": g.person, "line-width": 2.2 },
    { filter: ["==", ["get", "share"], 0.5] },
  );
  add(
    "person-most",
    "line",
    "person_areas",
    { "line-color": g.person, "line-width": 1.6, "line-dasharray": dashes(p.person.dashes.most, 1.6) },
    { filter: ["==", ["get", "share"], 0.9] },
  );
  add("uncovered-fill", "fill", "uncovered", {
    "fill-pattern": `hatch|${p.lanes.uncovered}|${key}`,
    "fill-opacity": 0.9,
  });
  add("uncovered-line", "line", "uncovered", { "line-color": g.trap, "line-width": 0.7 });
  add(
    "route-casing",
    "line",
    "route",
    { "line-color": g.casing, "line-width": 3.2, "line-opacity": 0.8 },
    { filter: ["!=", ["get", "kind"], "lane"] },
  );
  add(
    "route-line",
    "line",
    "route",
    { "line-color": g.lane, "line-width": 1.4, "line-dasharray": dashes(p.lanes.approach, 1.4) },
    { filter: ["!=", ["get", "kind"], "lane"] },
  );
  add("lane-casing", "line", "lanes", { "line-color": g.casing, "line-width": 5.2, "line-opacity": 0.9 });
  for (let k = 0; k < STYLES; k += 1) {
    add(
      `lane-${k}`,
      "line",
      "lanes",
      {
        "line-color": g.lane,
        "line-width": 2.3,
        "line-dasharray": dashes(p.lanes.dashes[k % p.lanes.dashes.length], 2.3),
      },
      { filter: ["==", ["%", ["-", ["get", "searcher"], 1], STYLES], k] },
    );
  }
  add("lane-hit", "line", "lanes", { "line-color": "#000000", "line-opacity": 0.01, "line-width": 14 });
  add("trap-chosen", "line", "trap-chosen", { "line-color": g.person, "line-width": 3 });
  const icon = (/** @type {string} */ kind) => ({
    layout: {
      "icon-image": ["concat", `label|${kind}|${key}|`, ["get", "label"]],
      "icon-allow-overlap": kind === "lane",
      "icon-ignore-placement": kind === "lane",
    },
  });
  add(
    "lane-ways",
    "symbol",
    "ways",
    {},
    {
      layout: {
        "symbol-placement": "line-center",
        "icon-image": `arrow|lane|${key}`,
        "icon-rotation-alignment": "map",
        "icon-allow-overlap": true,
        "icon-ignore-placement": true,
      },
    },
  );
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
 * @param {import("./types.js").Collection<import("./types.js").Lane>} lanes
 * @param {import("./types.js").Collection<import("./types.js").Leg>} route
 * @param {import("./types.js").Collection} uncovered
 */
export function showLanes(lanes, route, uncovered) {
  if (!shown) return;
  put("lanes", lanes);
  put("route", route);
  put("uncovered", uncovered);
  Object.assign(data, { lanes, route });
  const legs = route.features.filter(({ properties }) => properties.kind === "lane");
  put("ways", { type: "FeatureCollection", features: legs });
  const labels = lanes.features.map((lane) => {
    const { number } = lane.properties;
    const first = legs.find((leg) => leg.properties.lane === number) || lane;
    const geometry = { type: "Point", coordinates: first.geometry.coordinates[0] };
    return { type: "Feature", properties: { label: String(number) }, geometry };
  });
  put("lane-points", { type: "FeatureCollection", features: labels });
}

/** Outline one trap. @param {number | null} number */
export function chooseTrap(number) {
  const found = data.terrain_traps?.features.filter(({ properties }) => properties.number === number) || [];
  put("trap-chosen", { type: "FeatureCollection", features: found });
  const box = boundsOf(found);
  if (box) {
    const seen = map.getBounds();
    if (!seen.contains([box[0], box[1]]) || !seen.contains([box[2], box[3]])) moveTo(box, Math.max(15, map.getZoom()));
  }
}

/**
 * @param {import("./types.js").Collection} collection
 * @param {(properties: Record<string, any>) => string} label
 */
function points(collection, label) {
  return {
    type: "FeatureCollection",
    features: collection.features.map((feature) => {
      const box = boundsOf([feature]) || [0, 0, 0, 0];
      return {
        type: "Feature",
        properties: { label: label(feature.properties) },
        geometry: { type: "Point", coordinates: [(box[0] + box[2]) / 2, (box[1] + box[3]) / 2] },
      };
    }),
  };
}
