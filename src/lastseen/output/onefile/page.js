/** The one-file page: moves the map, says what is tapped, walks the searchers along their legs. */

import { Clock, sharesWalked, valuesAt } from "./clock.js";

const byId = (id) => document.getElementById(id);
const data = JSON.parse(byId("data").textContent);
const words = data.words;
const map = byId("map"),
  drawing = byId("drawing"),
  numbers = byId("grid-numbers");
const SVG = "http://www.w3.org/2000/svg";
const make = (name, attributes, inside) => {
  const shape = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes || {})) shape.setAttribute(key, value);
  if (inside !== undefined) shape.textContent = inside;
  return shape;
};

// ---- what is shown of the map: its middle in metres from the north-west corner, and metres for a pixel
const view = { x: 0, y: 0, k: 1 };
const size = { w: 1, h: 1 };
const whole = data.map,
  FINEST = 0.04,
  MARGIN = 1.25,
  CORNERS = 16;
const gridlines = [...document.querySelectorAll(".gridline[data-at]")];
const hatches = [...document.querySelectorAll(".hatch-map")];
let pending = false;

function measure() {
  const box = map.getBoundingClientRect();
  size.w = Math.max(1, box.width);
  size.h = Math.max(1, box.height);
}

let fitted = null; // the box that the view was fitted to, until somebody moves it
function fit(box) {
  const [left, top, wide, high] = box;
  fitted = box;
  view.x = left + wide / 2;
  view.y = top + high / 2;
  view.k = Math.max(wide / size.w, high / size.h);
  show();
}

function show() {
  if (pending) return;
  pending = true;
  requestAnimationFrame(() => {
    pending = false;
    draw();
  });
}

function draw() {
  const most = MARGIN * Math.max(whole.width_m / size.w, whole.height_m / size.h);
  view.k = Math.min(most, Math.max(FINEST, view.k));
  view.x = Math.min(whole.width_m, Math.max(0, view.x));
  view.y = Math.min(whole.height_m, Math.max(0, view.y));
  const { x, y, k } = view,
    w = size.w * k,
    h = size.h * k;
  drawing.setAttribute("viewBox", `${x - w / 2} ${y - h / 2} ${w} ${h}`);
  for (const mark of drawing.querySelectorAll("[data-mark]:not(.sign)")) {
    const [mx, my, turn] = mark.dataset.mark.split(" ");
    mark.setAttribute("transform", `translate(${mx} ${my}) rotate(${turn}) scale(${k})`);
  }
  for (const hatch of hatches) hatch.setAttribute("patternTransform", `scale(${k})`);
  drawing.classList.toggle("far", k > whole.far_m);
  placeSigns(k);
  drawGridNumbers(x - w / 2, y - h / 2, k);
  drawScale(k);
}

// Signs step aside for those before them: lanes, then zones, then traps; what finds no room waits for a closer look.
const AWAY = [
  [0, 0],
  [0, -1],
  [1, 0],
  [0, 1],
  [-1, 0],
  [1, -1],
  [1, 1],
  [-1, 1],
  [-1, -1],
  [0, -2],
  [2, 0],
  [0, 2],
  [-2, 0],
];
const signs = ["lanes", "zones", "traps"].flatMap((name) => [
  ...document.querySelectorAll(`#signs [data-of=${name}] .sign`),
]);
function placeSigns(k) {
  const taken = [];
  for (const sign of signs) {
    if (sign.closest(".off")) continue;
    const [mx, my] = sign.dataset.mark.split(" ").map(Number),
      wide = Number(sign.dataset.wide) + 3,
      high = 21;
    const free = AWAY.map(([a, b]) => [mx / k + a * wide, my / k + b * high]).find(([x, y]) =>
      taken.every(([tx, ty, tw]) => Math.abs(x - tx) >= (wide + tw) / 2 || Math.abs(y - ty) >= high),
    );
    sign.classList.toggle("waits", !free);
    const [x, y] = free || [mx / k, my / k];
    if (free) taken.push([x, y, wide]);
    sign.setAttribute("transform", `translate(${x * k} ${y * k}) scale(${k})`);
  }
}

function drawGridNumbers(left, top, k) {
  numbers.replaceChildren();
  if (!document.querySelector("[data-of=grid]:not(.off)")) return;
  let last = -1e9;
  for (const line of gridlines) {
    const at = Number(line.dataset.at);
    const px = (at - (line.dataset.way === "x" ? left : top)) / k;
    if (line.dataset.way === "x") {
      if (px < 40 || px > size.w - 40 || px - last < 64) continue;
      last = px;
      numbers.append(make("text", { x: px, y: size.h - 6, "text-anchor": "middle" }, line.dataset.number));
    } else if (px > 80 && px < size.h - 64) {
      numbers.append(make("text", { x: size.w - 5, y: px + 3.5, "text-anchor": "end" }, line.dataset.number));
    }
  }
}

function drawScale(k) {
  const room = Math.min(150, 0.32 * size.w) * k;
  const power = 10 ** Math.floor(Math.log10(room));
  const length = [5, 2, 1].map((step) => step * power).find((metres) => metres <= room) || power;
  byId("scale-bar").style.width = `${length / k}px`;
  byId("scale-words").textContent = length >= 1000 ? `${length / 1000} km` : `${length} m`;
}

function zoom(factor, px = size.w / 2, py = size.h / 2) {
  const most = MARGIN * Math.max(whole.width_m / size.w, whole.height_m / size.h);
  const k = Math.min(most, Math.max(FINEST, view.k * factor));
  view.x += (px - size.w / 2) * (view.k - k);
  view.y += (py - size.h / 2) * (view.k - k);
  view.k = k;
  fitted = null;
  show();
}

function pan(dx, dy) {
  view.x += dx * view.k;
  view.y += dy * view.k;
  fitted = null;
  show();
}

// ---- touch, mouse, keyboard
const fingers = new Map();
let moved = 0;
map.addEventListener(
  "wheel",
  (event) => {
    event.preventDefault();
    const box = map.getBoundingClientRect();
    zoom(
      Math.exp(Math.max(-60, Math.min(60, event.deltaY)) * 0.004),
      event.clientX - box.left,
      event.clientY - box.top,
    );
  },
  { passive: false },
);
map.addEventListener("pointerdown", (event) => {
  if (event.target.closest(".buttons")) return;
  fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
  moved = fingers.size > 1 ? 99 : 0;
  map.classList.add("moving");
});
window.addEventListener("pointermove", (event) => {
  const before = fingers.get(event.pointerId);
  if (!before) return;
  const now = { x: event.clientX, y: event.clientY };
  const dx = now.x - before.x,
    dy = now.y - before.y;
  if (fingers.size === 1) {
    moved += Math.abs(dx) + Math.abs(dy);
    pan(-dx, -dy);
  } else if (fingers.size === 2) {
    const other = [...fingers].find(([id]) => id !== event.pointerId)[1];
    const box = map.getBoundingClientRect();
    const apart = (finger) => Math.max(8, Math.hypot(finger.x - other.x, finger.y - other.y));
    zoom(apart(before) / apart(now), (now.x + other.x) / 2 - box.left, (now.y + other.y) / 2 - box.top);
    pan(-dx / 2, -dy / 2);
  }
  fingers.set(event.pointerId, now);
});
for (const ending of ["pointerup", "pointercancel"]) {
  window.addEventListener(ending, (event) => {
    fingers.delete(event.pointerId);
    if (!fingers.size) map.classList.remove("moving");
  });
}
map.addEventListener("dblclick", (event) => {
  if (event.target.closest(".buttons")) return;
  const box = map.getBoundingClientRect();
  zoom(0.5, event.clientX - box.left, event.clientY - box.top);
});
const toSearch = () => fit(data.map.search);
const toAll = () => fit(data.map.drawn);
const keys = {
  ArrowLeft: () => pan(-60, 0),
  ArrowRight: () => pan(60, 0),
  ArrowUp: () => pan(0, -60),
  ArrowDown: () => pan(0, 60),
  "+": () => zoom(0.8),
  "=": () => zoom(0.8),
  "-": () => zoom(1.25),
  0: toSearch,
  9: toAll,
  Escape: () => hush(),
};
map.addEventListener("keydown", (event) => {
  const tapped = event.target.closest(".tap");
  if (tapped && (event.key === "Enter" || event.key === " ")) {
    event.preventDefault();
    tell(tapped);
  } else if (keys[event.key] && !event.ctrlKey && !event.metaKey && !event.altKey) {
    event.preventDefault();
    keys[event.key]();
  }
});
map.addEventListener("focusin", (event) => {
  map.scrollLeft = map.scrollTop = 0;
  const tapped = event.target.closest(".tap");
  const at = tapped && tapped.querySelector("[data-mark]");
  if (!at || !tapped.matches(":focus-visible")) return;
  const [x, y] = at.dataset.mark.split(" ").map(Number);
  const out = Math.abs(x - view.x) > 0.42 * size.w * view.k || Math.abs(y - view.y) > 0.42 * size.h * view.k;
  if (out) {
    view.x = x;
    view.y = y;
    show();
  }
});
byId("zoom-in").addEventListener("click", () => zoom(0.7));
byId("zoom-out").addEventListener("click", () => zoom(1 / 0.7));
byId("show-search").addEventListener("click", toSearch);
byId("show-all").addEventListener("click", toAll);

// ---- what is tapped says what it is
const told = byId("told");
function tell(tapped) {
  byId("told-title").textContent = tapped.dataset.title;
  byId("told-reason").textContent = tapped.dataset.reason;
  told.hidden = false;
}
function hush() {
  told.hidden = true;
}
drawing.addEventListener("click", (event) => {
  if (moved > 6) return;
  const tapped = event.target.closest(".tap");
  if (tapped) tell(tapped);
  else hush();
});
byId("told-close").addEventListener("click", () => {
  hush();
  map.focus({ preventScroll: true });
});

// ---- layers
for (const box of document.querySelectorAll("[data-layer]")) {
  box.addEventListener("change", () => {
    for (const part of document.querySelectorAll(`[data-of=${box.dataset.layer}]`)) {
      part.classList.toggle("off", !box.checked);
    }
    show();
  });
}

// ---- the clock: searchers along their legs
const search = data.clock,
  above = byId("clock-drawing");
const legs = {};
for (const leg of document.querySelectorAll(".leg")) {
  const searcher = legs[leg.dataset.searcher] || (legs[leg.dataset.searcher] = { parts: [] });
  const path = leg.querySelector("path");
  searcher.parts.push({
    path,
    d: path.getAttribute("d"),
    time: Number(leg.dataset.time),
    length: path.getTotalLength(),
    covers: leg.dataset.kind !== "approach",
  });
}
const swaths = above.appendChild(make("g", { class: "swaths" }));
for (const [name, walk] of Object.entries(legs)) {
  walk.swath = swaths.appendChild(make("path", { class: "swath", "stroke-width": data.strip_m }));
  walk.walker = above.appendChild(make("g", { class: "walker" }));
  walk.walker.append(make("circle", { r: 9 }), make("text", { y: 4 }, name));
}
const slider = byId("time");
slider.max = Math.max(1, Math.round(search.total_s));

function walkTo(walk, seconds) {
  let d = "",
    at = null;
  const shares = sharesWalked(
    walk.parts.map((part) => part.time),
    seconds,
  );
  shares.forEach((share, k) => {
    const part = walk.parts[k];
    at = part.path.getPointAtLength(share * part.length);
    if (!part.covers || share <= 0) return;
    d += share >= 1 ? part.d : begun(part, share);
  });
  walk.swath.setAttribute("d", d);
  if (at) walk.walker.setAttribute("data-mark", `${at.x} ${at.y} 0`);
}

function begun(part, share) {
  const corners = Array.from({ length: CORNERS + 1 }, (_, k) =>
    part.path.getPointAtLength((share * part.length * k) / CORNERS),
  );
  return corners.map((point, k) => `${k ? "L" : "M"}${point.x} ${point.y}`).join("");
}

const curve = () => search.curves.find((known) => known.name === byId("curve").value);
const before = () => Math.min(180, Math.max(0, Number(byId("before").value) || 0));

const steps = search.covered.length - 1;
const coveredRows = search.covered.map((share, k) => [(k * search.total_s) / steps, share]);

const clockText = (seconds) =>
  `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")} ${words.min}`;
// until the first of them steps on the debris
const approach = Math.min(
  ...Object.values(legs).map(({ parts }) => parts.reduce((sum, part) => sum + (part.covers ? 0 : part.time), 0)),
);

const aliveText = (least, greatest) =>
  greatest - least < 0.05
    ? `${least.toFixed(0)} ${words.percent}`
    : `${words.no_data} ${least.toFixed(0)} ${words.and} ${greatest.toFixed(0)} ${words.percent}`;

function showTime() {
  slider.value = clock.seconds;
  const seconds = Math.min(search.total_s, clock.seconds);
  for (const walk of Object.values(legs)) walkTo(walk, seconds);
  const [covered] = search.total_s > 0 ? valuesAt(coveredRows, seconds) : coveredRows[steps].slice(1);
  const minute = before() + seconds / 60;
  const [least, greatest] = valuesAt(curve().corners, minute);
  byId("walked").textContent =
    seconds < approach
      ? `${clockText(seconds)} ${words.approach}`
      : approach > 0
        ? `${clockText(seconds - approach)}, ${words.with_approach} ${clockText(seconds)}`
        : clockText(seconds);
  byId("covered").textContent = `${(100 * covered).toFixed(1)} ${words.percent}`;
  const others = search.curves.filter((known) => known !== curve());
  byId("survival").textContent = [
    aliveText(least, greatest),
    ...others.map((known) => `${known.name} ${aliveText(...valuesAt(known.corners, minute))}`),
  ].join("; ");
  slider.setAttribute("aria-valuetext", `${byId("walked").textContent}, ${byId("covered").textContent}`);
  drawChart(minute, least, greatest);
  show();
}

function drawChart(minute, least, greatest) {
  const chart = byId("chart"),
    L = 38,
    R = 630,
    T = 20,
    B = 156;
  const most = Math.max(60, 30 * Math.ceil((before() + search.total_s / 60) / 30));
  const x = (t) => L + ((R - L) * Math.min(t, most)) / most,
    y = (p) => B - ((B - T) * p) / 100;
  const every = most > 240 ? 60 : most > 120 ? 30 : 15;
  chart.replaceChildren();
  for (const p of [0, 25, 50, 75, 100]) {
    chart.append(
      make("path", { class: "rule", d: `M${L} ${y(p)}H${R}` }),
      make("text", { x: L - 6, y: y(p) + 4, "text-anchor": "end" }, p),
    );
  }
  for (let t = 0; t <= most; t += every) {
    chart.append(
      make("path", { class: "axis", d: `M${x(t)} ${B}v4` }),
      make("text", { x: x(t), y: B + 16, "text-anchor": "middle" }, t),
    );
  }
  chart.append(make("text", { x: R, y: B + 31, "text-anchor": "end" }, words.since_burial));
  chart.append(make("text", { x: 4, y: 11 }, words.alive));
  const corners = curve().corners;
  const shown = corners.filter((corner) => corner[0] < most).concat([[most, ...valuesAt(corners, most)]]);
  let line = "",
    pen = false;
  shown.forEach(([t, low, high], i) => {
    const known = high - low < 1e-6;
    line += known ? `${pen ? "L" : "M"}${x(t)} ${y(low)}` : "";
    pen = known;
    const next = shown[i + 1];
    if (next && (!known || next[2] - next[1] > 1e-6)) {
      chart.append(
        make("path", {
          class: "open",
          d: `M${x(t)} ${y(high)}L${x(next[0])} ${y(next[2])}V${y(next[1])}L${x(t)} ${y(low)}z`,
        }),
      );
    }
  });
  chart.append(make("path", { class: "curve", d: line }), make("path", { class: "axis", d: `M${L} ${T}V${B}H${R}` }));
  const middle = y((least + greatest) / 2);
  chart.append(
    make("path", { class: "now", d: `M${x(minute)} ${T}V${B}` }),
    make("circle", { class: "dot", cx: x(minute), cy: middle, r: 4.5 }),
  );
  byId("curve-source").textContent = `${curve().source}.`;
}

const clock = new Clock({
  end: () => Number(slider.max),
  speed: () => Math.max(20, search.total_s / 20),
  show: showTime,
  turned: (playing) => {
    byId("play").textContent = playing ? words.pause : words.play;
  },
});
slider.step = "any";
slider.addEventListener("input", () => clock.set(Number(slider.value)));
byId("curve").addEventListener("change", showTime);
byId("before").addEventListener("input", showTime);
byId("play").addEventListener("click", () => clock.toggle());
slider.addEventListener("keydown", (event) => {
  const moves = { ArrowLeft: -10, ArrowDown: -10, ArrowRight: 10, ArrowUp: 10, PageDown: -60, PageUp: 60 };
  if (!(event.key in moves)) return;
  event.preventDefault();
  clock.set(clock.seconds + moves[event.key]);
});

// ---- light and dark, printing, size
byId("theme").addEventListener("click", () => {
  const root = document.documentElement;
  const dark = root.dataset.theme ? root.dataset.theme === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
  root.dataset.theme = dark ? "light" : "dark";
});
byId("print").addEventListener("click", () => window.print());
let kept = null;
window.addEventListener("beforeprint", () => {
  byId("layers-box").open = true;
  kept = { ...view };
  const mm = 96 / 25.4,
    { w, h } = size;
  Object.assign(size, { w: 184 * mm, h: 175 * mm });
  if (fitted) fit(fitted);
  else view.k = Math.max((w * view.k) / size.w, (h * view.k) / size.h);
  draw();
});
window.addEventListener("afterprint", () => {
  if (kept) {
    Object.assign(view, kept);
    measure();
    show();
  }
});
if (matchMedia("(max-width: 860px)").matches) byId("layers-box").open = false;
measure();
fit(data.map.search);
draw();
clock.set(0);
let width = size.w;
new ResizeObserver(() => {
  measure();
  view.k *= width / size.w;
  width = size.w;
  if (fitted) fit(fitted);
  else show();
}).observe(map);
