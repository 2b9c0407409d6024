// @ts-check
import { button, field, h, inputOf } from "./dom.js";
import { chosen } from "./store.js";
import { T } from "./text.js";
import { metres } from "./units.js";
import { world } from "./world.js";

/**
 * @typedef {Object} Actions
 * @property {(text: string, crs: string) => void} readText
 * @property {() => void} middle
 * @property {(radius: number) => void} sized
 */

/** @param {Actions} actions */
export const pointStep = (actions) => ({
  id: "point",
  summary: () => (chosen.at ? world.point?.mgrs || `${chosen.at[0].toFixed(5)}, ${chosen.at[1].toFixed(5)}` : ""),
  ready: () => Boolean(chosen.at),
  build: () => {
    const text = h("input", {
      type: "text",
      placeholder: T.point.example,
      value: chosen.atText || world.point?.lonlat || "",
      autocomplete: "off",
      spellcheck: "false",
    });
    const crs = h("input", { type: "text", placeholder: "EPSG:32632", autocomplete: "off" });
    const use = () => actions.readText(text.value, crs.value.trim());
    text.addEventListener("keydown", (/** @type {KeyboardEvent} */ e) => {
      if (e.key === "Enter") {
        e.preventDefault();
        use();
      }
    });
    const out = h("output", { class: "num" }, metres(chosen.radius));
    const radius = h("input", {
      type: "range",
      min: 1,
      max: 200,
      step: 1,
      value: String(chosen.radius),
      oninput: (/** @type {Event} */ e) => {
        out.textContent = metres(Number(inputOf(e).value));
        actions.sized(Number(inputOf(e).value));
      },
    });
    return [
      h("p", {}, T.point.how),
      field(T.point.label, text),
      h(
        "div",
        { class: "row" },
        button(T.point.take, use, { class: "main" }),
        button(T.point.centre, actions.middle, { title: T.point.centreHelp }),
      ),
      h("details", {}, h("summary", {}, T.point.crs), field(T.point.crs, crs)),
      world.pointError ? h("p", { class: "wrong", role: "alert" }, world.pointError) : null,
      understood(),
      h("div", { class: "with-out" }, field(T.point.radius, radius), out),
    ];
  },
});

function understood() {
  const p = world.point;
  if (!p) return null;
  const rows = [
    ["lon,lat", p.lonlat],
    ["UTM", p.utm],
    ["MGRS", p.mgrs],
    [T.point.height, metres(p.height_m)],
    [T.point.slope, p.slope_deg === null ? "–" : `${Math.round(p.slope_deg)}°`],
  ];
  return h(
    "section",
    {},
    h("h3", {}, T.point.understood),
    h(
      "dl",
      { class: "table" },
      rows.filter((row) => row[1]).map(([name, value]) => [h("dt", {}, name), h("dd", {}, value)]),
    ),
  );
}
