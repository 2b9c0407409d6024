/** The replay: draws the drill at one moment of its clock; everything it needs lies in the page. */

import { Clock } from "./clock.js";

const data = JSON.parse(document.getElementById("data").textContent);
const find = (id) => document.getElementById(id);
const canvas = find("map"),
  pen = canvas.getContext("2d");
const [wide, high] = data.size_m,
  ink = data.ink;
const pixels = 1600 / Math.max(wide, high);
canvas.width = Math.round(wide * pixels);
canvas.height = Math.round(high * pixels);
const X = (x) => x * pixels,
  Y = (y) => (high - y) * pixels;
const relief = new Image();

const clockText = (s) => {
  const t = Math.round(Math.abs(s)),
    h = Math.floor(t / 3600),
    m = Math.floor((t % 3600) / 60);
  const two = (n) => String(n).padStart(2, "0");
  return (s < 0 ? "-" : "") + (h ? h + ":" + two(m) : m) + ":" + two(t % 60);
};

function line(xy, close) {
  pen.beginPath();
  for (let i = 0; i < xy.length; i += 2) i ? pen.lineTo(X(xy[i]), Y(xy[i + 1])) : pen.moveTo(X(xy[i]), Y(xy[i + 1]));
  if (close) pen.closePath();
}

function cells() {
  const c = data.cover,
    side = c.cell_m * pixels + 0.6;
  let recorded = 0,
    sure = 0;
  for (let i = 0; i < c.x.length; i++) {
    const isSure = c.sure[i] >= 0 && c.sure[i] <= clock.seconds,
      isRecorded = c.recorded[i] >= 0 && c.recorded[i] <= clock.seconds;
    if (isSure) sure += c.w[i];
    if (isRecorded) recorded += c.w[i];
    if (!isSure && !isRecorded) continue;
    pen.fillStyle = isSure ? ink.sure : ink.recorded;
    pen.fillRect(X(c.x[i]) - side / 2, Y(c.y[i]) - side / 2, side, side);
  }
  return [recorded, sure];
}

function name(words, x, y, colour) {
  pen.font = "bold 22px system-ui, sans-serif";
  pen.lineWidth = 5;
  pen.strokeStyle = ink.paper;
  pen.setLineDash([]);
  pen.strokeText(words, x + 12, y - 10);
  pen.fillStyle = colour;
  pen.fillText(words, x + 12, y - 10);
}

function track(recorded) {
  const dashes = ink.dashes[(recorded.n - 1) % ink.dashes.length].map((d) => 2.2 * d);
  let last = -1;
  for (const casing of [true, false]) {
    pen.beginPath();
    for (let i = 0; i < recorded.run.length; i++) {
      if (recorded.t && recorded.t[i] > clock.seconds) break;
      const x = X(recorded.xy[2 * i]),
        y = Y(recorded.xy[2 * i + 1]);
      i && recorded.run[i] === recorded.run[i - 1] ? pen.lineTo(x, y) : pen.moveTo(x, y);
      last = i;
    }
    pen.lineWidth = casing ? 6 : 2.6;
    pen.strokeStyle = casing ? ink.paper : ink.text;
    pen.setLineDash(casing ? [] : dashes);
    pen.stroke();
  }
  pen.setLineDash([]);
  if (last < 0) return;
  let x = recorded.xy[2 * last],
    y = recorded.xy[2 * last + 1];
  if (recorded.t && last + 1 < recorded.run.length && recorded.run[last + 1] === recorded.run[last]) {
    const share = (clock.seconds - recorded.t[last]) / Math.max(0.1, recorded.t[last + 1] - recorded.t[last]);
    x += share * (recorded.xy[2 * last + 2] - x);
    y += share * (recorded.xy[2 * last + 3] - y);
  }
  pen.beginPath();
  pen.arc(X(x), Y(y), 9, 0, 2 * Math.PI);
  pen.fillStyle = ink.text;
  pen.fill();
  pen.lineWidth = 3;
  pen.strokeStyle = ink.paper;
  pen.stroke();
  name(recorded.name, X(x), Y(y), ink.text);
}

function target(hidden) {
  const x = X(hidden.xy[0]),
    y = Y(hidden.xy[1]);
  pen.beginPath();
  hidden.what === "target" ? pen.arc(x, y, 9, 0, 2 * Math.PI) : pen.rect(x - 8, y - 8, 16, 16);
  pen.fillStyle = hidden.what === "target" ? ink.person : ink.paper;
  pen.fill();
  pen.lineWidth = 3;
  pen.strokeStyle = hidden.what === "target" ? ink.paper : ink.person;
  pen.stroke();
  name(hidden.name, x, y, ink.person);
}

function draw() {
  pen.setLineDash([]);
  pen.fillStyle = ink.paper;
  pen.fillRect(0, 0, canvas.width, canvas.height);
  if (relief.complete && relief.naturalWidth) pen.drawImage(relief, 0, 0, canvas.width, canvas.height);
  const [recorded, sure] = cells();
  pen.lineWidth = 4;
  pen.strokeStyle = ink.outline;
  for (const ring of data.outline) {
    line(ring, true);
    pen.stroke();
  }
  if (find("lanes").checked) {
    for (const lane of data.lanes) {
      line(lane.xy, false);
      pen.lineWidth = 2;
      pen.strokeStyle = ink.faint;
      pen.setLineDash([10, 6]);
      pen.stroke();
      pen.setLineDash([]);
      pen.font = "18px system-ui, sans-serif";
      pen.fillStyle = ink.faint;
      pen.fillText("L" + lane.n, X(lane.xy[0]) + 4, Y(lane.xy[1]) + 20);
    }
  }
  data.tracks.forEach(track);
  if (find("hidden").checked) data.targets.forEach(target);
  find("clock").value = clockText(clock.seconds);
  find("time").value = clock.seconds;
  const percent = (v) => (100 * v).toFixed(0) + " %";
  find("covered").textContent = "Covered as recorded " + percent(recorded) + ", surely " + percent(sure);
  const at = data.survival[Math.min(data.survival.length - 1, Math.max(0, Math.round(clock.seconds / 30)))];
  const alive = at[1] === at[2] ? at[1] + " %" : at[1] + " to " + at[2] + " %";
  find("alive").textContent = data.timed
    ? "Alive if buried at 0:00: " + alive + " (" + data.curve + ")"
    : "No times recorded";
  const list = find("noted");
  list.replaceChildren(
    ...data.noted
      .filter((event) => event.s <= clock.seconds)
      .slice(-4)
      .map((event) => {
        const item = document.createElement("li");
        item.textContent = clockText(event.s) + "  " + event.words;
        return item;
      }),
  );
}

const clock = new Clock({
  end: () => data.end_s,
  speed: () => Number(find("speed").value),
  show: draw,
  turned: (playing) => {
    find("play").textContent = playing ? "Pause" : "Play";
  },
});
find("play").addEventListener("click", () => clock.toggle());
find("time").max = Math.ceil(data.end_s);
find("time").addEventListener("input", (event) => clock.set(Number(event.target.value)));
for (const id of ["lanes", "hidden"]) find(id).addEventListener("change", draw);
for (const id of ["play", "time", "speed"]) find(id).disabled = !data.timed;
if (!data.targets.length) find("hidden").parentElement.hidden = true;
find("verdict").textContent = data.verdict;
relief.onload = draw;
if (data.relief) relief.src = data.relief;
const asked = location.hash.startsWith("#t=") ? Number(location.hash.slice(3)) || 0 : 0;
clock.set(data.timed || location.hash.startsWith("#t=") ? asked : data.end_s);
