// @ts-check
/** The page: puts map, steps and server together. */

import { api } from "./api.js";
import { button, byId, debounced, fill, h, inputOf, newId, say, select } from "./dom.js";
import * as drawing from "./drawing.js";
import { bearingDeg, boundsOf, boxAround } from "./geometry.js";
import { legend } from "./legend.js";
import { setPalette } from "./look.js";
import * as view from "./mapview.js";
import * as planView from "./planlayers.js";
import * as profile from "./profile.js";
import { handStep } from "./step-hand.js";
import { placeStep } from "./step-place.js";
import { pointStep } from "./step-point.js";
import { readStep } from "./step-read.js";
import { jobBox, runStep } from "./step-run.js";
import { legs, result, searchStep } from "./step-search.js";
import { snowStep } from "./step-snow.js";
import * as steps from "./steps.js";
import * as store from "./store.js";
import { chosen, set } from "./store.js";
import { T } from "./text.js";
import { setFeet } from "./units.js";
import * as walk from "./walk.js";
import { place, world } from "./world.js";

let laying = false;
let again = false;
let askedAt = 0;
let keeping = false;
/** @type {EventSource | null} */
let listening = null;

async function begin() {
  const fresh = !location.hash.slice(1);
  const [state, plans] = await Promise.all([api.state(), api.plans()]);
  store.START.width = state.strip_width_m.default;
  store.read();
  Object.assign(world, { state, plans, places: new Map(state.places.map((known) => [known.id, known])) });
  setPalette(state.palette);
  theme(remembered("theme") || "auto");
  setFeet(remembered("feet") === "1");
  frame();
  if (!place()) set({ place: state.places[0].id }, { undo: false });
  if (fresh) {
    set(
      {
        width: lastUsed("width", state.strip_width_m.least, state.strip_width_m.most),
        searchers: lastUsed("searchers", 1, 12),
      },
      { undo: false },
    );
  }
  steps.make([
    placeStep({ openPlan, tryDemo }),
    pointStep({ readText, middle: () => point(view.middle(), ""), sized }),
    snowStep(),
    runStep({ run: () => run(), cancel }),
    readStep({ trap, zone }),
    searchStep({ pickStart, startHere: () => startAt(view.middle()), keep: keepLanes }),
    handStep({ keep: keepLanes }),
  ]);
  await view.start();
  listen();
  store.watch(changed);
  view.showPlace(place(), chosen.ground, true);
  showPoint();
  if (chosen.drawn) drawing.showDrawn(chosen.drawn.rings);
  if (chosen.at) understand(chosen.atText || chosen.at.join(","), "");
  if (chosen.ground.includes("tilt")) view.tilt(true);
  if (chosen.plan) await takePlan(chosen.plan, true);
  steps.open(false);
  document.documentElement.dataset.ready = "1";
  view.map.on("idle", () => {
    document.documentElement.dataset.idle = "1";
  });
}

function frame() {
  document.title = T.title;
  fill(/** @type {Element} */ (document.querySelector(".skip")), T.skip);
  byId("panel").setAttribute("aria-label", T.panel);
  byId("view").setAttribute("aria-label", T.map);
  const feetId = newId();
  const themes = select(T.themes, remembered("theme") || "auto", (kind) => {
    remember("theme", kind);
    theme(kind);
    recolour();
  });
  themes.setAttribute("aria-label", T.theme);
  fill(
    byId("top"),
    h("div", { class: "brand" }, h("h1", {}, T.title), h("p", {}, T.subtitle)),
    h(
      "div",
      { class: "settings" },
      button(T.undo, undo, { id: "undo", title: "Ctrl+Z", disabled: true }),
      h(
        "span",
        { class: "option" },
        h("input", {
          type: "checkbox",
          id: feetId,
          checked: remembered("feet") === "1",
          onchange: (/** @type {Event} */ e) => {
            const on = inputOf(e).checked;
            remember("feet", on ? "1" : "");
            setFeet(on);
            steps.rebuild();
            profile.draw();
          },
        }),
        h("label", { for: feetId }, T.feet),
      ),
      themes,
    ),
  );
  const full = byId("caution-full");
  fill(
    full,
    h("h2", {}, T.caution.title),
    h("p", {}, world.state.caution.full),
    h(
      "form",
      { method: "dialog" },
      button(T.caution.close, () => full.close(), { class: "main", autofocus: true }),
    ),
  );
  full.setAttribute("aria-label", T.caution.title);
  fill(
    byId("caution"),
    h(
      "p",
      {},
      world.state.caution.short,
      " ",
      button(T.caution.more, () => full.showModal(), { class: "link" }),
    ),
  );
}

function listen() {
  view.tools({
    tilted: () => chosen.ground.includes("tilt"),
    tilt: () =>
      set({
        ground: chosen.ground.includes("tilt")
          ? chosen.ground.filter((layer) => layer !== "tilt")
          : [...chosen.ground, "tilt"],
      }),
  });
  view.onClick((lonlat) => {
    if (chosen.step !== "point" && chosen.step !== "place") return false;
    if (chosen.step === "place") set({ step: "point" }, { undo: false });
    point(lonlat, "");
    view.nearer(lonlat);
    return true;
  });
  planView.listen((number) => trap(number));
  drawing.listen();
  view.onClick((lonlat) => {
    if (!world.picksStart) return false;
    startAt(lonlat);
    return true;
  });
  view.map.on("mousemove", (/** @type {view.MapEvent} */ e) => {
    if (world.profile && chosen.step === "read") profile.near([e.lngLat.lng, e.lngLat.lat]);
  });
  addEventListener("keydown", (e) => {
    if (
      (e.ctrlKey || e.metaKey) &&
      e.key.toLowerCase() === "z" &&
      !(e.target instanceof HTMLInputElement && e.target.type === "text")
    ) {
      e.preventDefault();
      undo();
    }
  });
  addEventListener(
    "resize",
    debounced(() => profile.draw(), 150),
  );
  addEventListener("hashchange", () => location.reload());
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
    theme(remembered("theme") || "auto");
    recolour();
  });
}

/** What follows from a change. @param {Set<string>} keys */
async function changed(keys) {
  const any = (/** @type {string[]} */ ...names) => names.some((name) => keys.has(name));
  byId("undo").disabled = store.undoable() < 1;
  if (any("place", "ground")) view.showPlace(place(), chosen.ground, true);
  if (any("ground") && chosen.ground.includes("tilt") !== view.map.getPitch() > 0) {
    view.tilt(chosen.ground.includes("tilt"), uphill());
  }
  if (any("at", "radius", "place")) showPoint();
  if (any("at", "place")) {
    if (!chosen.at) world.point = null;
    else if (!any("atText") || !world.point) understand(chosen.atText || chosen.at.join(","), "");
  }
  for (const key of /** @type {("width" | "searchers")[]} */ (["width", "searchers"])) {
    if (keys.has(key)) remember(key, String(chosen[key]));
  }
  if (any("drawn")) drawing.showDrawn(chosen.drawn?.rings || []);
  if (any("plan")) await takePlan(chosen.plan, false);
  else if (any("width", "searchers", "pattern", "entry", "start")) layLanes();
  if (any("colour") && world.plan?.numbers.model) planView.colourBy(chosen.plan, chosen.colour);
  if (any("step")) world.picksStart = false;
  if (any("step")) steps.open(true);
  else if (
    any("place", "at", "drawn", "plan", "start", "frictionKind", "size", "friction") &&
    !document.activeElement?.matches("input[type=range], input[type=number]")
  ) {
    steps.rebuild();
  } else steps.sums();
  if (any("step", "plan", "colour")) {
    showProfile();
    legend();
  }
  if (any("step", "plan") && chosen.plan) {
    view.map.resize();
    if (chosen.step === "search" && any("step")) planView.moveToLanes();
    else if (any("plan") || (chosen.step === "read" && innerWidth <= 760)) planView.moveToPlan();
  }
}

/** From the end of the main path to its start: debris in front, the release above it. */
function uphill() {
  const path = world.profile?.lonlat;
  if (!path) return undefined;
  return bearingDeg(path[path.length - 1], path[0]);
}

function undo() {
  const left = store.undo();
  say(left < 0 ? T.nothingToUndo : T.undone(left));
  if (left >= 0) steps.rebuild();
}

/**
 * @param {import("./types.js").LonLat} at
 * @param {string} text
 */
function point(at, text) {
  const near = /** @type {import("./types.js").LonLat} */ (at.map((degrees) => Number(degrees.toFixed(6))));
  world.point = null;
  set({ at: near, atText: text });
  say(T.point.moved(near.join(", ")));
}

/**
 * @param {string} text
 * @param {string} crs
 */
async function readText(text, crs) {
  try {
    const found = await api.point({ text, place: chosen.place, ...(crs ? { crs } : {}) });
    world.point = found;
    world.pointError = "";
    const at = /** @type {import("./types.js").LonLat} */ ([found.lon, found.lat]);
    set({ at, atText: crs ? found.lonlat : text.trim() });
    steps.rebuild();
    say(T.point.moved(found.lonlat));
    view.nearer(at);
  } catch (error) {
    world.pointError = /** @type {Error} */ (error).message;
    steps.rebuild();
  }
}

/** Ask how a point is understood. @param {string} text @param {string} crs */
async function understand(text, crs) {
  const at = chosen.at;
  try {
    const found = await api.point({ text, place: chosen.place, ...(crs ? { crs } : {}) });
    if (JSON.stringify(at) !== JSON.stringify(chosen.at)) return;
    [world.point, world.pointError] = [found, ""];
  } catch (error) {
    [world.point, world.pointError] = [null, /** @type {Error} */ (error).message];
  }
  if (chosen.step === "point") steps.rebuild();
  steps.sums();
}

const sized = (/** @type {number} */ radius) => set({ radius });
const showPoint = () =>
  view.showPoint(chosen.at, chosen.radius, {
    moved: (at) => point(at, ""),
    sized: (radius) => {
      sized(radius);
      steps.rebuild();
    },
  });

/** @param {import("./types.js").Demo} demo */
function tryDemo(demo) {
  const [lon, lat] = demo.at.split(",").map(Number);
  world.point = null;
  set({
    place: "ysterra",
    at: [lon, lat],
    atText: demo.at,
    radius: demo.radius_m,
    size: demo.size,
    seed: demo.seed,
    name: demo.name,
    width: demo.strip_width_m,
    searchers: demo.searchers,
    plan: "",
    friction: null,
    frictionKind: "usual",
    slab: null,
    drawn: null,
    pattern: "",
    entry: "",
    start: "",
    step: "run",
  });
  view.moveTo(boxAround([lon, lat], [-350, -500, 350, 300]), 16);
}

/** Make a new plan of the lanes on the map. */
const keepLanes = () => run(true);

/** @param {boolean} [onlyLanes] whether it is only to keep lanes */
async function run(onlyLanes = false) {
  keeping = onlyLanes;
  world.kept = "";
  set({ step: "run" }, { undo: false });
  try {
    watchJob(await api.start(store.question()));
  } catch (error) {
    const { message } = /** @type {Error} */ (error);
    const job = { id: "", plan: "", stage: "", share: 0, elapsed_s: 0, left_s: null };
    world.job = { ...job, state: "failed", error: message };
    steps.rebuild();
  }
}

/** @param {import("./types.js").Job} job */
function watchJob(job) {
  world.job = job;
  sessionStorage.setItem("job", job.id);
  steps.rebuild();
  listening?.close();
  listening = api.events(job.id);
  let last = job.state;
  listening.onmessage = async (event) => {
    const now = JSON.parse(event.data);
    world.job = now;
    if (["done", "failed", "cancelled"].includes(now.state)) {
      listening?.close();
      sessionStorage.removeItem("job");
    }
    if (now.state === "done") {
      world.plans = await api.plans().catch(() => world.plans);
      world.kept = keeping ? now.plan : "";
      say(keeping ? T.search.kept(now.plan) : T.run.done(now.plan));
      set({ plan: now.plan, step: keeping ? "hand" : "read" });
    } else if (now.state !== last) steps.rebuild();
    else if (byId("job")) {
      const focused = document.activeElement?.closest("#job");
      fill(byId("job"), jobBox(now, cancel));
      if (focused) byId("job").querySelector("button")?.focus();
    }
    last = now.state;
    steps.sums();
  };
}

async function cancel() {
  if (!world.job?.id) return;
  try {
    await api.cancel(world.job.id);
    say(T.run.cancelled);
  } catch (error) {
    say(/** @type {Error} */ (error).message);
  }
}

/** @param {string} id */
async function openPlan(id) {
  try {
    const found = await api.plan(id);
    const question = found.asked;
    if (!question) {
      set({ plan: id, step: "read" });
      return;
    }
    const text = question.last_seen.at;
    const at = text
      ? await api.point({ text, ...(question.last_seen.crs ? { crs: question.last_seen.crs } : {}) })
      : null;
    world.point = null;
    set({
      place: question.place,
      at: at && [at.lon, at.lat],
      atText: text,
      radius: question.last_seen.radius_m,
      size: question.snow.size,
      slab: question.snow.slab_thickness_m,
      friction: question.snow.friction,
      frictionKind: question.snow.friction ? "own" : "usual",
      model: question.snow.model || "auto",
      seed: question.seed,
      name: question.name,
      drawn: null,
      width: question.search.strip_width_m,
      searchers: question.search.searchers,
      pattern: question.search.pattern || "",
      entry: question.search.entry || "",
      start: question.search.start || "",
      plan: id,
      step: "read",
    });
  } catch (error) {
    say(/** @type {Error} */ (error).message);
  }
}

/**
 * @param {string} id
 * @param {boolean} reopened whether it comes from the address
 */
async function takePlan(id, reopened) {
  Object.assign(world, { plan: null, profile: null, layout: null, files: [], lanesError: "" });
  planView.clear();
  walk.clear();
  if (!id) return;
  try {
    [world.plan, world.files] = await Promise.all([api.plan(id), api.files(id)]);
  } catch (error) {
    say(/** @type {Error} */ (error).message);
    set({ plan: "" }, { undo: false });
    return;
  }
  const [, found] = await Promise.all([
    planView.show(id, world.plan.numbers.model ? chosen.colour : "none"),
    world.plan.asked && world.plan.numbers.model ? api.profile(id).catch(() => null) : null,
  ]);
  world.profile = found;
  showProfile();
  await layNow();
  if (!reopened) return;
  legend();
  view.map.resize();
  if (chosen.step === "search") planView.moveToLanes();
  else planView.moveToPlan();
}

function showProfile() {
  if (world.profile && (innerWidth > 760 ? ["read", "search"] : ["read"]).includes(chosen.step) && chosen.plan) {
    profile.show(world.profile);
  } else profile.hide();
}

/** Lay lanes for what is chosen now; while the server lays some, only the last wish waits. */
function layLanes() {
  askedAt = performance.now();
  if (laying) again = true;
  else layNow();
}

async function layNow() {
  if (!world.plan?.asked) return;
  const since = askedAt,
    plan = chosen.plan;
  laying = true;
  again = false;
  try {
    const found = await api.lanes(plan, store.laneQuestion());
    if (plan === chosen.plan) {
      Object.assign(world, { layout: found, lanesError: "" });
      planView.showLanes(found.lanes, found.route, found.uncovered);
      walk.take(found);
    }
  } catch (error) {
    world.lanesError = /** @type {Error} */ (error).message;
  }
  laying = false;
  if (again) layNow();
  Object.assign(document.documentElement.dataset, {
    width: String(world.layout?.strip_width_m),
    lanesMs: (performance.now() - since).toFixed(0),
  });
  if (byId("laid")) {
    fill(byId("laid"), result(keepLanes));
    const old = byId("legs");
    if (old) {
      const fresh = legs();
      if (fresh) {
        fresh.open = old.open;
        old.replaceWith(fresh);
      }
    }
    if (world.layout && !world.lanesError) {
      say(
        T.search.laid({
          lanes: world.layout.lanes.features.length,
          way: world.layout.way,
          time: T.minutes(world.layout.search_time_s),
          all: T.minutes(world.layout.total_time_s),
        }),
      );
    }
  }
}

function pickStart() {
  world.picksStart = true;
  steps.rebuild();
}

/** The searchers stand there. @param {import("./types.js").LonLat} lonlat */
function startAt(lonlat) {
  world.picksStart = false;
  set({ start: lonlat.map((degrees) => degrees.toFixed(6)).join(",") });
  steps.rebuild();
}

/** @param {number} number */
function trap(number) {
  planView.chooseTrap(number);
  const found = planView.data.terrain_traps?.features.find(({ properties }) => properties.number === number);
  if (found) say(`${found.properties.reason} ${found.properties.shares || ""}`);
}

/** @param {number} number */
function zone(number) {
  const found = planView.data.deposition_zones?.features.filter(({ properties }) => properties.number === number) || [];
  const box = boundsOf(found);
  if (box) view.moveTo(box, 17);
}

function recolour() {
  if (!view.map) return;
  view.recolour();
  planView.recolour();
  walk.recolour();
  profile.draw();
  legend();
}

/** @param {string} kind */
function theme(kind) {
  const dark = kind === "dark" || (kind === "auto" && matchMedia("(prefers-color-scheme: dark)").matches);
  document.documentElement.dataset.theme = dark ? "dark" : "light";
}

const remembered = (/** @type {string} */ key) => localStorage.getItem(`lastseen.${key}`) || "";
const remember = (/** @type {string} */ key, /** @type {string} */ value) =>
  localStorage.setItem(`lastseen.${key}`, value);

/**
 * What was used last on this machine.
 * @param {"width" | "searchers"} key
 * @param {number} least
 * @param {number} most
 */
function lastUsed(key, least, most) {
  const value = Number(remembered(key));
  return Number.isInteger(value) && value >= least && value <= most ? value : store.START[key];
}

begin().catch((error) => {
  fill(byId("panel"), h("p", { class: "wrong", role: "alert" }, `${T.error}: ${error.message}`));
  throw error;
});
