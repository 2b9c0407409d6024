// @ts-check
/** The walk: moves the searchers along, shows what is in range so far, and a published survival curve. */

// On the server's address this path leads to the same file as on the disk.
import { Clock, sharesWalked, valuesAt } from "../../output/onefile/clock.js";
import { button, field, fill, h, inputOf, select } from "./dom.js";
import { ground, themeKey } from "./look.js";
import { map, put, reducesMotion } from "./mapview.js";
import { T } from "./text.js";

const EMPTY = { type: "FeatureCollection", features: [] };
const SHOWN_S = 14; // a whole search is played in about this time
const MOST_MINUTES = 120;

/** @type {import("./types.js").Layout | null} */
let layout = null;
/** @typedef {{time: number, kind: string, line: number[][]}} WalkedLeg */

/** @type {Array<{searcher: number, legs: WalkedLeg[], end: number}>} */
let walks = [];
let end = 1;
let curveName = "";
let minutesBefore = 5;
/**
 * Elements of the controls.
 * @type {{slider: HTMLInputElement, reading: Element, about: Element, play: Element, time: Element,
 *   survival: import("./types.js").Survival} | null}
 */
let parts = null;

const clock = new Clock({
  end: () => end,
  speed: () => end / SHOWN_S,
  show: () => {
    if (layout && parts?.slider.isConnected) update();
    else clock.playing = false;
  },
  turned: (playing) => {
    if (parts) parts.play.textContent = playing ? T.search.pause : T.search.play;
  },
  reducesMotion,
});

/** Forget the walk. */
export function clear() {
  layout = null;
  clock.playing = false;
  put("walkers", EMPTY);
  put("trail", EMPTY);
}

/** Take a new layout; the time stays where it can. @param {import("./types.js").Layout} found */
export function take(found) {
  layout = found;
  walks = [];
  for (const leg of found.route.features) {
    const { searcher, kind, time_s } = leg.properties;
    let walk = walks.find((known) => known.searcher === searcher);
    if (!walk) walks.push((walk = { searcher, legs: [], end: 0 }));
    walk.legs.push({ time: time_s, kind, line: leg.geometry.coordinates });
    walk.end += time_s;
  }
  end = Math.max(1, ...walks.map((walk) => walk.end));
  clock.seconds = Math.min(clock.seconds, end);
  if (parts) {
    parts.slider.max = String(Math.ceil(end));
    update();
  }
}

/**
 * The controls.
 * @param {import("./types.js").Survival} survival
 */
export function controls(survival) {
  curveName ||= survival.default;
  const play = button(clock.playing ? T.search.pause : T.search.play, () => clock.toggle(), { class: "main" });
  const slider = h("input", {
    type: "range",
    min: 0,
    max: Math.ceil(end),
    step: 1,
    value: String(clock.seconds),
    oninput: (/** @type {Event} */ e) => clock.set(Number(inputOf(e).value)),
  });
  const reading = h("dl", { class: "clock-reading" });
  const about = h("p", { class: "help" });
  const minutes = h("input", {
    type: "number",
    min: 0,
    max: MOST_MINUTES,
    step: 1,
    value: String(minutesBefore),
    oninput: (/** @type {Event} */ e) => {
      minutesBefore = Math.max(0, Math.min(MOST_MINUTES, Number(inputOf(e).value) || 0));
      update();
    },
  });
  const curves = select(
    Object.fromEntries(survival.curves.map((curve) => [curve.name, `${curve.name}: ${curve.title}`])),
    curveName,
    (name) => {
      curveName = name;
      update();
    },
  );
  const time = h("output", { class: "time" });
  parts = { slider, reading, about, play, time, survival };
  const box = h(
    "section",
    { class: "clock", "aria-label": T.search.clock },
    h("h3", {}, T.search.clock),
    h("div", { class: "row" }, play, time),
    field(T.search.time, slider),
    reading,
    field(T.search.curve, curves),
    about,
    field(T.search.gone, minutes),
  );
  if (layout) update();
  return box;
}

function update() {
  if (!layout || !parts) return;
  const now = clock.seconds;
  parts.slider.value = String(Math.round(now));
  parts.slider.setAttribute("aria-valuetext", T.minutes(now));
  parts.time.textContent = T.minutes(now);
  const [debris, poa] = valuesAt(layout.covered, now);
  const curve = parts.survival.curves.find((known) => known.name === curveName);
  if (!curve) return;
  const minute = minutesBefore + now / 60;
  const last = curve.percent.length - 1;
  /** @type {Array<[number, number | null]>} */
  const byMinute = curve.percent.map((value, k) => [k, value]);
  const [percent] = minute > last ? [null] : valuesAt(byMinute, minute);
  const rows = [
    [T.search.debris, T.percent(debris ?? 0), debris],
    ...(poa === null ? [] : [[T.search.poa, T.percent(poa), poa]]),
    [
      T.search.alive(Math.round(minute), curveName),
      percent === null ? T.search.noData : `${percent.toFixed(0)} %`,
      percent === null ? 0 : percent / 100,
    ],
  ];
  fill(
    parts.reading,
    rows.map(([name, text, share], k) => [
      h("dt", {}, k < rows.length - 1 ? `${T.search.sofar}: ${name}` : name),
      h("dd", {}, h("span", { class: "num" }, text), meter(/** @type {number} */ (share), k === rows.length - 1)),
    ]),
  );
  parts.about.textContent = `${curve.source}.`;
  draw();
}

/**
 * @param {number} share
 * @param {boolean} person
 */
function meter(share, person) {
  return h(
    "svg",
    {
      class: `meter${person ? " person" : ""}`,
      viewBox: "0 0 100 6",
      preserveAspectRatio: "none",
      "aria-hidden": "true",
    },
    h("rect", { width: 100, height: 6, class: "all" }),
    h("rect", { width: Math.max(0, Math.min(100, share * 100)), height: 6, class: "part" }),
  );
}

function draw() {
  const walkers = [],
    trails = [];
  for (const walk of walks) {
    let place = walk.legs[0]?.line[0];
    /** @type {number[][]} */
    let trail = [];
    const shares = sharesWalked(
      walk.legs.map((leg) => leg.time),
      clock.seconds,
    );
    shares.forEach((share, k) => {
      const [start, stop] = walk.legs[k].line;
      place = [start[0] + (stop[0] - start[0]) * share, start[1] + (stop[1] - start[1]) * share];
      if (walk.legs[k].kind !== "approach") trail = trail.length ? [...trail, place] : [start, place];
    });
    if (place) {
      walkers.push({
        type: "Feature",
        properties: { label: T.search.short(walk.searcher) },
        geometry: { type: "Point", coordinates: place },
      });
    }
    if (trail.length > 1) {
      trails.push({ type: "Feature", properties: {}, geometry: { type: "LineString", coordinates: trail } });
    }
  }
  put("walkers", { type: "FeatureCollection", features: walkers });
  put("trail", { type: "FeatureCollection", features: trails });
  layers();
}

function layers() {
  if (!layout) return;
  const latitude = map.getCenter().lat;
  const at22 = layout.strip_width_m / ((40075016.7 * Math.cos((latitude * Math.PI) / 180)) / 512 / 2 ** 22);
  const width = ["interpolate", ["exponential", 2], ["zoom"], 0, at22 / 2 ** 22, 22, at22];
  if (!map.getLayer("trail")) {
    const before = map.getLayer("route-casing") ? "route-casing" : undefined;
    map.addLayer(
      {
        id: "trail",
        type: "line",
        source: "trail",
        layout: { "line-cap": "round", "line-join": "round" },
        paint: { "line-opacity": 0.5 },
      },
      before,
    );
  }
  map.setPaintProperty("trail", "line-width", width);
  map.setPaintProperty("trail", "line-color", themeKey() === "dark" ? "#000000" : "#ffffff");
  if (!map.getLayer("walkers")) {
    map.addLayer({
      id: "walkers",
      type: "symbol",
      source: "walkers",
      layout: { "icon-allow-overlap": true, "icon-ignore-placement": true },
    });
  }
  map.setLayoutProperty("walkers", "icon-image", ["concat", `label|walker|${themeKey()}|`, ["get", "label"]]);
}

/** Colours by day or night. */
export const recolour = () => {
  if (layout && map.getLayer("walkers")) {
    ground();
    layers();
  }
};
