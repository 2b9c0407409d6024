// @ts-check
import { api } from "../api.js";
import { button, choice, fill, h, newId, say } from "../dom.js";
import { chosen, set } from "../store.js";
import { T } from "../text.js";
import { metres } from "../units.js";
import { place, world } from "../world.js";

/** @param {{openPlan: (id: string) => void, tryDemo: (demo: any) => void}} told */
export const placeStep = (told) => ({
  id: "place",
  summary: () => place()?.name || "",
  ready: () => Boolean(place()),
  build: () => [grounds(), drop(), shows(), demos(told.tryDemo), plans(told.openPlan)],
});

/** @param {(demo: any) => void} tryDemo */
function demos(tryDemo) {
  return h("section", {}, h("h3", {}, T.place.try), h("div", { class: "stack" },
    world.state.demos.map((/** @type {any} */ demo) => button(/** @type {any} */ (T.place.demos)[demo.id] || demo.name, () => tryDemo(demo), { class: "wide" }))));
}

function grounds() {
  const choices = [...world.places.values()].map((one) => [one.id, one.name, T.place.cells(metres(one.cell_m, one.cell_m % 1 ? 1 : 0), `${(one.width_m / 1000).toFixed(1)} × ${(one.height_m / 1000).toFixed(1)} km`)]);
  const box = choice(T.place.ground, "place", /** @type {any} */ (choices), chosen.place, (id) => set({ place: id, at: null, atText: "", plan: "", drawn: null }));
  const notes = place()?.notes || [];
  return [box, notes.length ? h("ul", { class: "notes" }, notes.map((/** @type {string} */ one) => h("li", {}, one))) : null];
}

function drop() {
  const id = newId();
  const told = h("p", { class: "told", "aria-live": "polite" });
  const input = h("input", { type: "file", id, accept: ".tif,.tiff,.hgt", onchange: (/** @type {any} */ e) => e.target.files[0] && take(e.target.files[0]) });
  const box = h("div", { class: "drop" }, h("strong", {}, T.place.drop), h("label", { for: id }, T.place.choose), input, told);
  for (const kind of ["dragenter", "dragover"]) box.addEventListener(kind, (/** @type {any} */ e) => { e.preventDefault(); box.classList.add("over"); });
  for (const kind of ["dragleave", "drop"]) box.addEventListener(kind, () => box.classList.remove("over"));
  box.addEventListener("drop", (/** @type {any} */ e) => { e.preventDefault(); if (e.dataTransfer.files[0]) take(e.dataTransfer.files[0]); });

  async function take(/** @type {File} */ file) {
    const most = world.state.limits.upload_bytes;
    if (file.size > most) { fill(told, T.place.tooLarge(T.hand.size(most))); return; }
    fill(told, T.place.reading(file.name));
    try {
      const found = await api.upload(file);
      world.places.set(found.id, found);
      say(T.place.taken(found.name));
      set({ place: found.id, at: null, atText: "", plan: "", drawn: null });
    } catch (error) {
      fill(told, h("span", { class: "wrong" }, /** @type {Error} */ (error).message));
    }
  }
  return box;
}

function shows() {
  const kinds = /** @type {Array<[string, string]>} */ ([["relief", T.place.relief], ["contours", T.place.contours], ["slope", T.place.slope], ["tilt", T.place.tilt]]);
  return h("fieldset", { class: "choice" }, h("legend", {}, T.place.show), kinds.map(([kind, label]) => {
    const id = newId();
    return h("div", { class: "option" },
      h("input", { type: "checkbox", id, checked: chosen.ground.includes(kind), onchange: (/** @type {any} */ e) => set({ ground: e.target.checked ? [...chosen.ground, kind] : chosen.ground.filter((one) => one !== kind) }) }),
      h("label", { for: id }, label));
  }));
}

/** @param {(id: string) => void} openPlan */
function plans(openPlan) {
  return h("section", {}, h("h3", {}, T.place.plans), world.plans.length
    ? h("ul", { class: "list" }, world.plans.slice(0, 12).map((/** @type {any} */ one) => h("li", {}, button(one.id, () => openPlan(one.id), { "aria-label": T.place.openPlan(one.id) }), " ", h("small", {}, one.name))))
    : null, h("p", { class: "help path" }, T.place.folder(world.state.folder)));
}
