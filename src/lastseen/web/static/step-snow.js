// @ts-check
import { button, choice, field, h, inputOf, select } from "./dom.js";
import { draw, showDrawn } from "./drawing.js";
import { chosen, set } from "./store.js";
import { T } from "./text.js";
import { world } from "./world.js";

export const snowStep = () => ({
  id: "snow",
  summary: () => (chosen.drawn?.kind === "debris" ? T.snow.drawDebris.split(" (")[0] : T.snow.sizes[chosen.size][0]),
  ready: () => true,
  build: () => [
    choice(
      T.snow.size,
      "size",
      /** @type {any} */ (Object.entries(T.snow.sizes).map(([size, [name, more]]) => [size, name, more])),
      String(chosen.size),
      (size) => set({ size: Number(size), friction: frictionOf(chosen.frictionKind, Number(size)) }),
    ),
    friction(),
    h("details", {}, h("summary", {}, T.snow.more), slab(), model(), seed(), name()),
    drawn(),
  ],
});

/**
 * Low, most likely, high of a choice in words. The shifts are design choices.
 * @param {string} kind
 * @param {number} size
 */
function frictionOf(kind, size) {
  const [low, mid, high] = world.state.friction[size];
  if (kind === "slippery") return [low, (low + mid) / 2, mid];
  if (kind === "rough") return [mid, (mid + high) / 2, high];
  return kind === "own" ? chosen.friction || [low, mid, high] : null;
}

function friction() {
  const now = chosen.friction || world.state.friction[chosen.size];
  const list = select(T.snow.frictions, chosen.frictionKind, (kind) =>
    set({ frictionKind: kind, friction: frictionOf(kind, chosen.size) }),
  );
  const numbers = h("p", { class: "num help" }, T.snow.frictionNumbers(now));
  const three =
    chosen.frictionKind !== "own"
      ? null
      : h(
          "div",
          { class: "row thirds" },
          T.snow.frictionOwn.map((label, k) =>
            field(
              label,
              h("input", {
                type: "number",
                min: 0.05,
                max: 1,
                step: 0.01,
                value: String(now[k]),
                onchange: (/** @type {Event} */ e) => {
                  const changed = [...(chosen.friction || now)];
                  changed[k] = Number(inputOf(e).value);
                  set({ friction: changed });
                  numbers.textContent = T.snow.frictionNumbers(changed);
                },
              }),
            ),
          ),
        );
  return [field(T.snow.friction, list), numbers, three];
}

const slab = () =>
  field(
    T.snow.slab,
    h("input", {
      type: "number",
      min: 0.1,
      max: 10,
      step: 0.05,
      value: chosen.slab === null ? "" : String(chosen.slab),
      onchange: (/** @type {Event} */ e) => set({ slab: Number(inputOf(e).value) || null }),
    }),
    T.snow.slabHelp,
  );
const model = () =>
  field(
    T.snow.model,
    select(T.snow.models, chosen.model, (kind) => set({ model: kind })),
  );
const seed = () =>
  field(
    T.snow.seed,
    h("input", {
      type: "number",
      min: 0,
      max: 2147483647,
      step: 1,
      value: String(chosen.seed),
      onchange: (/** @type {Event} */ e) => set({ seed: Math.max(0, Math.round(Number(inputOf(e).value) || 0)) }),
    }),
  );
const name = () =>
  field(
    T.snow.name,
    h("input", {
      type: "text",
      maxlength: 120,
      value: chosen.name,
      onchange: (/** @type {Event} */ e) => set({ name: inputOf(e).value.trim() }),
    }),
  );

function drawn() {
  const where = h("div", { class: "drawing-tools" });
  const begin = (/** @type {string} */ kind) =>
    draw(kind, where, (ring) => set({ drawn: ring ? { kind, rings: [ring] } : null, step: "snow" }));
  const has = chosen.drawn;
  where.append(
    ...(has
      ? [
          h("p", {}, T.snow.has[has.kind]),
          button(T.snow.clear, () => {
            showDrawn([]);
            set({ drawn: null });
          }),
        ]
      : [
          h("p", { class: "help" }, T.snow.drawnHelp),
          h(
            "div",
            { class: "stack" },
            button(T.snow.drawRelease, () => begin("release")),
            button(T.snow.drawDebris, () => begin("debris")),
          ),
        ]),
  );
  return h("section", {}, h("h3", {}, T.snow.drawn), where);
}
