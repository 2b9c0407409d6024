// @ts-check
/** The map: ground of a place, the last-seen point, and what people do on it. */

import { api } from "./api.js";
import { byId, debounced, h, say } from "./dom.js";
import { boxAround, circleRing, shifted } from "./geometry.js";
import { dashes, drawMissing, ground, ink, themeKey } from "./look.js";
import { T } from "./text.js";

/** The map library comes without types here. @type {any} */
const library = Reflect.get(globalThis, "maplibregl");
const EMPTY = { type: "FeatureCollection", features: [] };
const MOST_ZOOM = 19;

/** @typedef {{lngLat: {lng: number, lat: number}, point: {x: number, y: number}}} MapEvent */

/** @type {any} */
export let map = null;
/** @type {import("./types.js").Place | null} */
let place = null;
/** @type {string[]} */
let shown = ["relief", "contours"];
/** @type {any} */
let marker = null;
/** @type {any} */
let handle = null;
/** @type {AbortController | null} */
let asking = null;
/**
 * @callback Clicker
 * @param {import("./types.js").LonLat} lonlat
 * @param {{x: number, y: number}} point in pixels of the map
 * @returns {boolean} whether the click was for them
 */

/** @type {Clicker[]} */
const clickers = [];

/** Resolves when the style can be worked on. */
export function start() {
  map = new library.Map({
    container: "map",
    style: {
      version: 8,
      sources: {},
      layers: [{ id: "paper", type: "background", paint: { "background-color": ground().paper } }],
    },
    attributionControl: false,
    maxZoom: MOST_ZOOM,
    maxPitch: 75,
    dragRotate: true,
    fadeDuration: 0,
    renderWorldCopies: false,
    canvasContextAttributes: { preserveDrawingBuffer: false },
  });
  map.addControl(new library.ScaleControl({ maxWidth: 110, unit: "metric" }), "bottom-left");
  map.on("error", (/** @type {{error?: Error, sourceId?: string}} */ e) =>
    console.error(`map: ${e.error?.message} ${e.sourceId || ""}`),
  );
  map.on("styleimagemissing", (/** @type {{id: string}} */ e) => drawMissing(map, e.id));
  map.on("moveend", debounced(lines, 200));
  // With heights under it the map forgets to draw what arrives late.
  let late = false;
  map.on("sourcedata", () => {
    late = true;
  });
  const redraw = () => {
    if (!late || !map.getTerrain()) return;
    late = false;
    map.terrain?.sourceCache?.freeRtt();
    map.triggerRepaint();
  };
  map.on("idle", redraw);
  map.on("sourcedata", debounced(redraw, 400));
  map.on("click", (/** @type {MapEvent} */ e) =>
    clickers.some((clicker) => clicker([e.lngLat.lng, e.lngLat.lat], e.point)),
  );
  map.getCanvas().setAttribute("aria-label", `${T.map}. ${T.point.centreHelp}`);
  return new Promise((ready) => map.once("load", ready));
}

/**
 * Listen for clicks; the last who began to listen is asked first.
 * @param {Clicker} clicker
 */
export const onClick = (clicker) => {
  clickers.unshift(clicker);
};

export const middle = () => /** @type {[number, number]} */ (map.getCenter().toArray());

/**
 * Show the ground of a place.
 * @param {import("./types.js").Place | null} given
 * @param {string[]} layers
 * @param {boolean} go whether the map moves there
 */
export function showPlace(given, layers, go) {
  const other = place?.id !== given?.id;
  place = given;
  shown = layers;
  if (!given) return;
  if (other) addGround();
  const visible = (/** @type {string} */ id, /** @type {boolean} */ on) =>
    map.setLayoutProperty(id, "visibility", on ? "visible" : "none");
  visible("relief", shown.includes("relief"));
  visible("slope", shown.includes("slope"));
  for (const id of ["contours", "contour-labels"]) visible(id, shown.includes("contours"));
  for (const id of ["slopelines", "slope-labels"]) visible(id, shown.includes("slope"));
  if (!shown.includes("tilt")) map.setTerrain(null);
  else if (other && map.getPitch() > 0) raise();
  if (other && go) whole(0);
  lines();
}

/** Metres across the map that show enough around a point, and how wide a view is still left as it is. */
const AROUND_M = 500,
  WIDE_M_PX = 6;

/** Come nearer to a point that is seen from far away, or not at all. @param {import("./types.js").LonLat} at */
export function nearer(at) {
  const seen = map.getBounds(),
    from = seen.getSouthWest(),
    to = seen.getNorthEast();
  const m_px = from.distanceTo(to) / Math.hypot(map.getCanvas().clientWidth, map.getCanvas().clientHeight);
  if (m_px <= WIDE_M_PX && seen.contains(at)) return;
  moveTo(boxAround(at, [-AROUND_M, -AROUND_M, AROUND_M, AROUND_M]), 16);
}

/** Move to show all of the place. @param {number} [ms] */
export function whole(ms = 500) {
  if (place) {
    map.fitBounds(place.bounds, {
      padding: innerWidth > 760 ? 20 : 4,
      duration: reducesMotion() ? 0 : ms,
      pitch: map.getPitch(),
      bearing: map.getBearing(),
    });
  }
}

/** Whether people asked for little motion. */
export const reducesMotion = () => matchMedia("(prefers-reduced-motion: reduce)").matches;

/**
 * @param {number[]} box
 * @param {number} [most]
 */
export function moveTo(box, most = 17) {
  const legend = byId("legend"),
    wide = map.getCanvas().clientWidth;
  const beside = legend.hidden || innerWidth <= 760 ? 0 : Math.min(legend.offsetWidth, 0.36 * wide);
  const under = legend.hidden || innerWidth > 760 ? 0 : legend.querySelector("details")?.open ? 0 : legend.offsetHeight;
  map.fitBounds(box, {
    padding: { top: (under ? 12 : 24) + under, bottom: innerWidth > 760 ? 40 : 16, left: 24 + beside, right: 64 },
    maxZoom: most,
    duration: reducesMotion() ? 0 : 600,
    pitch: map.getPitch(),
    bearing: map.getBearing(),
  });
}

/**
 * @param {boolean} on
 * @param {number} [bearing] where to look, degrees
 */
export function tilt(on, bearing = map.getBearing()) {
  if (on) map.once("moveend", raise);
  map.easeTo({ pitch: on ? 58 : 0, bearing: on ? bearing : 0, duration: reducesMotion() ? 0 : 700 });
}

/** Put heights under the map; while the camera moves they would shift it. */
function raise() {
  if (!shown.includes("tilt") || !map.getSource("ground-3d")) return;
  map.setTerrain({ source: "ground-3d", exaggeration: 1 });
}

function addGround() {
  const before = map
    .getStyle()
    .layers.find((/** @type {{id: string}} */ layer) => !GROUND.includes(layer.id) && layer.id !== "paper")?.id;
  for (const id of [...GROUND].reverse()) if (map.getLayer(id)) map.removeLayer(id);
  map.setTerrain(null);
  for (const id of ["ground", "ground-3d", "slope", "contours", "slopelines"]) {
    if (map.getSource(id)) map.removeSource(id);
  }
  if (!place) return;
  const tiles = { bounds: place.bounds, minzoom: place.minzoom, maxzoom: place.maxzoom, tileSize: 256 };
  map.addSource("ground", { type: "raster", tiles: [api.placeTiles(place.id, "relief")], ...tiles });
  map.addSource("ground-3d", {
    type: "raster-dem",
    encoding: "terrarium",
    tiles: [api.placeTiles(place.id, "height")],
    ...tiles,
  });
  map.addSource("slope", { type: "raster", tiles: [api.placeTiles(place.id, "slope")], ...tiles });
  for (const id of ["contours", "slopelines"]) map.addSource(id, { type: "geojson", data: EMPTY });
  const label = (/** @type {string} */ id, /** @type {string} */ kind, /** @type {string[] | null} */ filter) => ({
    id,
    type: "symbol",
    source: kind === "contour" ? "contours" : "slopelines",
    ...(filter ? { filter } : {}),
    layout: {
      "symbol-placement": "line",
      "symbol-spacing": kind === "contour" ? 260 : 420,
      "icon-rotation-alignment": "map",
      "icon-keep-upright": true,
      "icon-padding": 6,
    },
  });
  const add = (/** @type {object} */ layer) => map.addLayer(layer, before);
  add({ id: "relief", type: "raster", source: "ground", paint: { "raster-fade-duration": 0 } });
  add({ id: "slope", type: "raster", source: "slope", paint: { "raster-fade-duration": 0, "raster-opacity": 0.9 } });
  add({
    id: "contours",
    type: "line",
    source: "contours",
    paint: { "line-width": ["case", ["get", "index"], 1.1, 0.55], "line-opacity": 0.85 },
  });
  add({
    id: "slopelines",
    type: "line",
    source: "slopelines",
    paint: {
      "line-width": ["case", [">=", ["get", "value"], 45], 1.5, [">=", ["get", "value"], 35], 1.1, 0.7],
      "line-opacity": 0.8,
    },
  });
  add(label("contour-labels", "contour", ["get", "index"]));
  add(label("slope-labels", "slope", null));
  recolour();
}

const GROUND = ["relief", "slope", "contours", "slopelines", "contour-labels", "slope-labels"];

/** Colours of the ground by day or night. */
export function recolour() {
  const g = ground();
  map.setPaintProperty("paper", "background-color", g.paper);
  if (!map.getLayer("relief")) return;
  const paint = /** @type {Array<[string, string, string | number | Array<string | string[]>]>} */ ([
    ["relief", "raster-brightness-min", g.dark[0]],
    ["relief", "raster-brightness-max", g.dark[1]],
    ["contours", "line-color", ["case", ["get", "index"], g.index, g.contour]],
    ["slopelines", "line-color", g.text],
    ["slope", "raster-brightness-min", themeKey() === "dark" ? 1 : 0],
    ["slope", "raster-brightness-max", themeKey() === "dark" ? 0.6 : 1],
  ]);
  for (const [id, key, value] of paint) map.setPaintProperty(id, key, value);
  map.setLayoutProperty("contour-labels", "icon-image", ["concat", `label|contour|${themeKey()}|`, ["get", "label"]]);
  map.setLayoutProperty("slope-labels", "icon-image", ["concat", `label|slope|${themeKey()}|`, ["get", "label"]]);
}

/** Fetch the isolines of what is seen. */
async function lines() {
  if (!place || !map.getSource("contours")) return;
  asking?.abort();
  asking = new AbortController();
  const { signal } = asking;
  const seen = map.getBounds();
  const [w, s, e, n] = place.bounds;
  const box = [
    Math.max(w, seen.getWest()),
    Math.max(s, seen.getSouth()),
    Math.min(e, seen.getEast()),
    Math.min(n, seen.getNorth()),
  ];
  if (box[0] >= box[2] || box[1] >= box[3] || box[2] - box[0] > 3 || box[3] - box[1] > 3) return;
  for (const [layer, source, kind] of [
    ["contours", "contours", "height"],
    ["slope", "slopelines", "slope"],
  ]) {
    if (!shown.includes(layer)) continue;
    try {
      const found = await api.isolines(place.id, kind, box, signal);
      map.getSource(source)?.setData(found);
    } catch (error) {
      if (signal.aborted) return;
      map.getSource(source)?.setData(EMPTY);
    }
  }
}

/**
 * The last-seen point with its circle; null takes it away.
 * @param {import("./types.js").LonLat | null} at
 * @param {number} radius metres
 * @param {{moved: (at: import("./types.js").LonLat) => void, sized: (radius: number) => void}} actions
 */
export function showPoint(at, radius, actions) {
  if (!at) {
    marker?.remove();
    handle?.remove();
    marker = handle = null;
    put("point-circle", EMPTY);
    return;
  }
  if (!marker) {
    const element = h("button", { type: "button", class: "seen" });
    marker = new library.Marker({ element, draggable: true, anchor: "center" }).setLngLat(at).addTo(map);
    marker.on("drag", () => circle(marker.getLngLat().toArray(), marker.radius));
    marker.on("dragend", () => actions.moved(marker.getLngLat().toArray()));
    element.addEventListener("click", (/** @type {Event} */ e) => e.stopPropagation());
    element.addEventListener("keydown", (/** @type {KeyboardEvent} */ e) => {
      const way = { ArrowUp: [0, 1], ArrowDown: [0, -1], ArrowLeft: [-1, 0], ArrowRight: [1, 0] }[e.key];
      if (!way) return;
      e.preventDefault();
      e.stopPropagation();
      const step = e.shiftKey ? 20 : 2;
      actions.moved(shifted(marker.getLngLat().toArray(), way[0] * step, way[1] * step));
    });
    handle = new library.Marker({
      element: h("div", { class: "grip", role: "img", title: T.point.handle, "aria-label": T.point.handle }),
      draggable: true,
    })
      .setLngLat(at)
      .addTo(map);
    handle.on("drag", () => {
      marker.radius = reach();
      circle(marker.getLngLat().toArray(), marker.radius);
    });
    handle.on("dragend", () => actions.sized(Math.max(1, Math.min(500, Math.round(reach())))));
  }
  const reach = () => marker.getLngLat().distanceTo(handle.getLngLat());
  marker.radius = radius;
  marker.setLngLat(at);
  marker.getElement().setAttribute("aria-label", T.point.marker(`${at[0].toFixed(5)}, ${at[1].toFixed(5)}`));
  circle(at, radius);
}

/**
 * @param {import("./types.js").LonLat} at
 * @param {number} radius
 */
function circle(at, radius) {
  handle?.setLngLat(shifted(at, radius, 0));
  const geometry = { type: "Polygon", coordinates: [circleRing(at, radius)] };
  put("point-circle", { type: "Feature", properties: {}, geometry });
  if (!map.getLayer("point-fill")) {
    map.addLayer({
      id: "point-fill",
      type: "fill",
      source: "point-circle",
      paint: { "fill-color": ink().person.light, "fill-opacity": 0.25 },
    });
    map.addLayer({
      id: "point-line",
      type: "line",
      source: "point-circle",
      paint: { "line-color": ink().person.line, "line-width": 1.4, "line-dasharray": dashes([4, 1.6], 1.4) },
    });
  }
}

/**
 * Put data into a source of shapes, made where it is not there.
 * @param {string} id
 * @param {object} data
 */
export function put(id, data) {
  const source = map.getSource(id);
  if (source) source.setData(data);
  else map.addSource(id, { type: "geojson", data });
}

/** Buttons on the map. @param {{tilted: () => boolean, tilt: () => void}} actions */
export function tools(actions) {
  const tool = (
    /** @type {string | Element} */ text,
    /** @type {string} */ name,
    /** @type {() => void} */ pressed,
    more = {},
  ) => h("button", { type: "button", class: "tool", "aria-label": name, title: name, onclick: pressed, ...more }, text);
  const tilted = tool(
    "3-D",
    T.place.tiltHelp,
    () => {
      actions.tilt();
      tilted.setAttribute("aria-pressed", String(actions.tilted()));
    },
    { "aria-pressed": String(actions.tilted()) },
  );
  byId("map-tools").replaceChildren(
    tool("+", T.place.zoomIn, () => map.zoomIn()),
    tool("−", T.place.zoomOut, () => map.zoomOut()),
    tool(
      h(
        "svg",
        { viewBox: "0 0 20 20", width: 22, height: 22, "aria-hidden": "true" },
        h("path", { d: "M10 1L15 11L10 8.6L5 11Z", fill: "currentColor" }),
        h(
          "text",
          { x: 10, y: 19.5, "text-anchor": "middle", "font-size": 9, "font-weight": 700, fill: "currentColor" },
          "N",
        ),
      ),
      T.place.north,
      () => {
        map.easeTo({ bearing: 0 });
        say(T.place.north);
      },
    ),
    tool(
      h(
        "svg",
        { viewBox: "0 0 20 20", width: 20, height: 20, "aria-hidden": "true" },
        h("path", {
          d: "M2 7V2H7M13 2H18V7M18 13V18H13M7 18H2V13",
          fill: "none",
          stroke: "currentColor",
          "stroke-width": 2,
        }),
        h("rect", { x: 7, y: 7, width: 6, height: 6, fill: "currentColor" }),
      ),
      T.place.whole,
      () => whole(),
    ),
    tilted,
  );
}

/**
 * @param {import("./types.js").LonLat} at
 * @param {string} text
 */
export function popup(at, text) {
  return new library.Popup({ closeButton: true, maxWidth: "300px", className: "saying" })
    .setLngLat(at)
    .setText(text)
    .addTo(map);
}
