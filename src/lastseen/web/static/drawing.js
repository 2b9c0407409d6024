// @ts-check
/** Drawing an outline: corners by click, or in the middle of the map by keyboard. */

import { button, fill, h, say } from "./dom.js";
import { ink } from "./look.js";
import { map, middle, onClick, put } from "./mapview.js";
import { T } from "./text.js";

/** @type {null | {kind: string, corners: number[][], done: (ring: number[][] | null) => void, where: Element}} */
let now = null;

export const isDrawing = () => now !== null;

/** Listen for corners. */
export function listen() {
  onClick((at) => {
    if (!now) return false;
    corner(at);
    return true;
  });
}

/**
 * Begin an outline.
 * @param {string} kind
 * @param {Element} where its buttons go
 * @param {(ring: number[][] | null) => void} done
 */
export function draw(kind, where, done) {
  now = { kind, corners: [], done, where };
  document.body.classList.add("drawing");
  tools();
  where.querySelector("button")?.focus();
}

/** Show drawn rings. @param {number[][][]} rings */
export function showDrawn(rings) {
  outline(
    rings.map((ring) => [...ring, ring[0]]),
    true,
  );
}

function tools() {
  if (!now) return;
  const few = now.corners.length < 3;
  fill(
    now.where,
    h("p", {}, T.draw.how),
    h("p", { class: "count" }, T.draw.corners(now.corners.length)),
    h(
      "div",
      { class: "row" },
      button(T.draw.add, () => corner(middle())),
      button(
        T.draw.back,
        () => {
          now?.corners.pop();
          refresh();
        },
        { disabled: !now.corners.length },
      ),
      button(T.draw.done, () => finish(true), { disabled: few, class: "main" }),
      button(T.draw.stop, () => finish(false)),
    ),
  );
}

/** @param {number[]} at */
function corner(at) {
  now?.corners.push(at.map((degrees) => Number(degrees.toFixed(7))));
  refresh();
}

function refresh() {
  if (!now) return;
  const focused = /** @type {HTMLElement | null} */ (document.activeElement)?.textContent;
  const many = now.corners.length;
  outline(many > 2 ? [[...now.corners, now.corners[0]]] : many ? [now.corners] : [], many > 2);
  tools();
  say(T.draw.corners(many));
  for (const control of now.where.querySelectorAll("button")) if (control.textContent === focused) control.focus();
}

/** @param {boolean} keep */
function finish(keep) {
  const was = now;
  now = null;
  document.body.classList.remove("drawing");
  if (!keep) outline([], false);
  was?.done(keep ? was.corners : null);
}

/**
 * @param {number[][][]} rings
 * @param {boolean} closed
 */
function outline(rings, closed) {
  const features = rings.map((ring) => ({
    type: "Feature",
    properties: {},
    geometry: closed
      ? { type: "Polygon", coordinates: [ring] }
      : { type: "LineString", coordinates: ring.length > 1 ? ring : [ring[0], ring[0]] },
  }));
  put("drawn", { type: "FeatureCollection", features });
  if (map.getLayer("drawn-line")) return;
  map.addLayer({
    id: "drawn-fill",
    type: "fill",
    source: "drawn",
    filter: ["==", ["geometry-type"], "Polygon"],
    paint: { "fill-color": ink().person.light, "fill-opacity": 0.18 },
  });
  map.addLayer({
    id: "drawn-line",
    type: "line",
    source: "drawn",
    paint: { "line-color": ink().person.line, "line-width": 2.4 },
    layout: { "line-cap": "round", "line-join": "round" },
  });
}
