// @ts-check
/** Small helpers to make elements. Text is always text, never markup. */

/**
 * Make an element.
 * @param {string} tag
 * @param {Record<string, any>} [given] attributes; `on…` are listeners, `class` is the class, null is left out
 * @param {...(Node | string | number | null | undefined | false | Array<any>)} children
 * @returns {any}
 */
export function h(tag, given = {}, ...children) {
  const svg = SVG_TAGS.has(tag);
  const made = svg ? document.createElementNS("http://www.w3.org/2000/svg", tag) : document.createElement(tag);
  for (const [key, value] of Object.entries(given)) {
    if (value === null || value === undefined || value === false) continue;
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else if (key === "value" && !svg) /** @type {HTMLInputElement} */ (made).value = value;
    else if (key === "checked") /** @type {HTMLInputElement} */ (made).checked = value;
    else made.setAttribute(key, value === true ? "" : String(value));
  }
  const written = tag === "code" ? String : withFixedSpaces;
  made.append(
    ...children
      .flat(4)
      .filter((child) => child !== null && child !== undefined && child !== false)
      .map((child) => (child instanceof Node ? child : written(child))),
  );
  return made;
}

/**
 * A number stays on one line with its unit, and m2 is written as m².
 * @param {unknown} text
 */
export const withFixedSpaces = (text) =>
  String(text)
    .replace(/(\d) ?m([23])\b/g, (_, digit, power) => `${digit} m${power === "2" ? "²" : "³"}`)
    .replace(/(\d) (%|°|(?:km|cm|mm|m|min|s|h|ft|degrees)(?![\w]))/g, "$1\u00a0$2");

const SVG_TAGS = new Set(["svg", "path", "line", "circle", "text", "g", "rect", "polyline", "polygon"]);

/**
 * Replace what is in an element.
 * @param {Element} where
 * @param {...any} children
 */
export function fill(where, ...children) {
  where.replaceChildren(
    ...children.flat(4).filter((child) => child !== null && child !== undefined && child !== false),
  );
}

/** The field that an event comes from. @param {Event} event */
export const inputOf = (event) => /** @type {HTMLInputElement} */ (event.target);

/**
 * @param {string} id
 * @returns {any} an element of index.html, of a kind that the caller knows
 */
export const byId = (id) => document.getElementById(id);

/**
 * Say something to people who listen.
 * @param {string} text
 */
export function say(text) {
  byId("said").textContent = text;
}

/**
 * Work that is done once, some time after the last call.
 * @param {() => void} work
 * @param {number} ms
 */
export function debounced(work, ms) {
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  let timer;
  return () => {
    clearTimeout(timer);
    timer = setTimeout(() => work(), ms);
  };
}

let count = 0;
/** A name that no other element has. */
export const newId = () => `e${++count}`;

/**
 * A labelled field.
 * @param {string} label
 * @param {any} control
 * @param {string} [help]
 */
export function field(label, control, help) {
  control.id ||= newId();
  const helpId = help ? newId() : null;
  if (helpId) control.setAttribute("aria-describedby", helpId);
  return h(
    "div",
    { class: "field" },
    h("label", { for: control.id }, label),
    control,
    help && h("p", { class: "help", id: helpId }, help),
  );
}

/**
 * A choice of one among a few, as radio buttons.
 * @param {string} legend
 * @param {string} name
 * @param {Array<[string, any, any?]>} choices value, label, what stands below
 * @param {string} chosen
 * @param {(value: string) => void} changed
 */
export function choice(legend, name, choices, chosen, changed) {
  return h(
    "fieldset",
    { class: "choice" },
    h("legend", {}, legend),
    choices.map(([value, label, more]) => {
      const id = newId();
      return h(
        "div",
        { class: "option" },
        h("input", { type: "radio", name, id, value, checked: value === chosen, onchange: () => changed(value) }),
        h("label", { for: id }, h("span", {}, label), more && h("small", {}, more)),
      );
    }),
  );
}

/**
 * A drop-down.
 * @param {Record<string, string>} choices
 * @param {string} chosen
 * @param {(value: string) => void} changed
 */
export function select(choices, chosen, changed) {
  return h(
    "select",
    { onchange: (/** @type {Event} */ e) => changed(inputOf(e).value) },
    Object.entries(choices).map(([value, label]) =>
      h("option", { value, ...(value === chosen ? { selected: true } : {}) }, label),
    ),
  );
}

/**
 * @param {string} label
 * @param {() => void} pressed
 * @param {Record<string, any>} [more]
 */
export const button = (label, pressed, more = {}) => h("button", { type: "button", onclick: pressed, ...more }, label);
