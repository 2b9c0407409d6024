// @ts-check
import { api } from "./api.js";
import { button, choice, fill, h, inputOf, newId, say } from "./dom.js";
import { chosen, set } from "./store.js";
import { T } from "./text.js";
import { metres } from "./units.js";
import { place, world } from "./world.js";

/** @param {{openPlan: (id: string) => void, tryDemo: (demo: import("./types.js").Demo) => void}} actions */
export const placeStep = (actions) => ({
  id: "place",
  summary: () => place()?.name || "",
  ready: () => Boolean(place()),
  build: () => [grounds(), drop(), shows(), demos(actions.tryDemo), plans(actions.openPlan)],
});

/** @param {(demo: import("./types.js").Demo) => void} tryDemo */
function demos(tryDemo) {
  return h(
    "section",
    {},
    h("h3", {}, T.place.try),
    h(
      "div",
      { class: "stack" },
      world.state.demos.map((demo) =>
        button(T.place.demos[demo.id] || demo.name, () => tryDemo(demo), { class: "wide" }),
      ),
    ),
  );
}

function grounds() {
  const choices = [...world.places.values()].map((known) => [
    known.id,
    known.name,
    T.place.cells(
      metres(known.cell_m, known.cell_m % 1 ? 1 : 0),
      `${(known.width_m / 1000).toFixed(1)} × ${(known.height_m / 1000).toFixed(1)} km`,
    ),
  ]);
  const box = choice(T.place.ground, "place", /** @type {any} */ (choices), chosen.place, (id) =>
    set({ place: id, at: null, atText: "", plan: "", drawn: null }),
  );
  const notes = place()?.notes || [];
  return [
    box,
    notes.length
      ? h(
          "ul",
          { class: "notes" },
          notes.map((note) => h("li", {}, note)),
        )
      : null,
  ];
}

function drop() {
  const id = newId();
  const status = h("p", { class: "told", "aria-live": "polite" });
  const input = h("input", {
    type: "file",
    id,
    accept: ".tif,.tiff,.hgt",
    onchange: (/** @type {Event} */ e) => takeFirst(inputOf(e).files),
  });
  const box = h(
    "div",
    { class: "drop" },
    h("strong", {}, T.place.drop),
    h("label", { for: id }, T.place.choose),
    input,
    status,
  );
  for (const kind of ["dragenter", "dragover"]) {
    box.addEventListener(kind, (/** @type {DragEvent} */ e) => {
      e.preventDefault();
      box.classList.add("over");
    });
  }
  for (const kind of ["dragleave", "drop"]) box.addEventListener(kind, () => box.classList.remove("over"));
  box.addEventListener("drop", (/** @type {DragEvent} */ e) => {
    e.preventDefault();
    takeFirst(e.dataTransfer?.files);
  });

  function takeFirst(/** @type {FileList | null | undefined} */ files) {
    if (files?.[0]) take(files[0]);
  }

  async function take(/** @type {File} */ file) {
    const most = world.state.limits.upload_bytes;
    if (file.size > most) {
      fill(status, T.place.tooLarge(T.hand.size(most)));
      return;
    }
    fill(status, T.place.reading(file.name));
    try {
      const found = await api.upload(file);
      world.places.set(found.id, found);
      say(T.place.taken(found.name));
      set({ place: found.id, at: null, atText: "", plan: "", drawn: null });
    } catch (error) {
      fill(status, h("span", { class: "wrong" }, /** @type {Error} */ (error).message));
    }
  }
  return box;
}

function shows() {
  const kinds = /** @type {Array<[string, string]>} */ ([
    ["relief", T.place.relief],
    ["contours", T.place.contours],
    ["slope", T.place.slope],
    ["tilt", T.place.tilt],
  ]);
  return h(
    "fieldset",
    { class: "choice" },
    h("legend", {}, T.place.show),
    kinds.map(([kind, label]) => {
      const id = newId();
      return h(
        "div",
        { class: "option" },
        h("input", {
          type: "checkbox",
          id,
          checked: chosen.ground.includes(kind),
          onchange: (/** @type {Event} */ e) =>
            set({
              ground: inputOf(e).checked ? [...chosen.ground, kind] : chosen.ground.filter((layer) => layer !== kind),
            }),
        }),
        h("label", { for: id }, label),
      );
    }),
  );
}

/** @param {(id: string) => void} openPlan */
function plans(openPlan) {
  return h(
    "section",
    {},
    h("h3", {}, T.place.plans),
    world.plans.length
      ? h(
          "ul",
          { class: "list" },
          world.plans.slice(0, 12).map((plan) =>
            h(
              "li",
              {},
              button(plan.id, () => openPlan(plan.id), { "aria-label": T.place.openPlan(plan.id) }),
              " ",
              h("small", {}, plan.name),
            ),
          ),
        )
      : null,
    h("p", { class: "help path" }, T.place.folder(world.state.folder)),
  );
}
