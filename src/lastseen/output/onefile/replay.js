"use strict";
// Draws the drill at one moment of its clock; everything it needs lies in this page.
(function () {
  const data = JSON.parse(document.getElementById("data").textContent);
  const find = (id) => document.getElementById(id);
  const canvas = find("map"), pen = canvas.getContext("2d");
  const [wide, high] = data.size_m, ink = data.ink;
  const pixels = 1600 / Math.max(wide, high);
  canvas.width = Math.round(wide * pixels);
  canvas.height = Math.round(high * pixels);
  const X = (x) => x * pixels, Y = (y) => (high - y) * pixels;
  const relief = new Image();
  let now = data.timed ? 0 : data.end_s, playing = false, before = 0;

  const clock = (s) => {
    const t = Math.round(Math.abs(s)), h = Math.floor(t / 3600), m = Math.floor((t % 3600) / 60);
    const two = (n) => String(n).padStart(2, "0");
    return (s < 0 ? "-" : "") + (h ? h + ":" + two(m) : m) + ":" + two(t % 60);
  };

  function line(xy, close) {
    pen.beginPath();
    for (let i = 0; i < xy.length; i += 2) i ? pen.lineTo(X(xy[i]), Y(xy[i + 1])) : pen.moveTo(X(xy[i]), Y(xy[i + 1]));
    if (close) pen.closePath();
  }

  function cells() {
    const c = data.cover, side = c.cell_m * pixels + 0.6;
    let recorded = 0, sure = 0;
    for (let i = 0; i < c.x.length; i++) {
      const isSure = c.sure[i] >= 0 && c.sure[i] <= now, isRecorded = c.recorded[i] >= 0 && c.recorded[i] <= now;
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
    pen.lineWidth = 5; pen.strokeStyle = ink.paper; pen.setLineDash([]);
    pen.strokeText(words, x + 12, y - 10);
    pen.fillStyle = colour;
    pen.fillText(words, x + 12, y - 10);
  }

  function track(one) {
    const dashes = ink.dashes[(one.n - 1) % ink.dashes.length].map((d) => 2.2 * d);
    let last = -1;
    for (const casing of [true, false]) {
      pen.beginPath();
      for (let i = 0; i < one.run.length; i++) {
        if (one.t && one.t[i] > now) break;
        const x = X(one.xy[2 * i]), y = Y(one.xy[2 * i + 1]);
        i && one.run[i] === one.run[i - 1] ? pen.lineTo(x, y) : pen.moveTo(x, y);
        last = i;
      }
      pen.lineWidth = casing ? 6 : 2.6;
      pen.strokeStyle = casing ? ink.paper : ink.text;
      pen.setLineDash(casing ? [] : dashes);
      pen.stroke();
    }
    pen.setLineDash([]);
    if (last < 0) return;
    let x = one.xy[2 * last], y = one.xy[2 * last + 1];
    if (one.t && last + 1 < one.run.length && one.run[last + 1] === one.run[last]) {
      const share = (now - one.t[last]) / Math.max(0.1, one.t[last + 1] - one.t[last]);
      x += share * (one.xy[2 * last + 2] - x);
      y += share * (one.xy[2 * last + 3] - y);
    }
    pen.beginPath();
    pen.arc(X(x), Y(y), 9, 0, 2 * Math.PI);
    pen.fillStyle = ink.text; pen.fill();
    pen.lineWidth = 3; pen.strokeStyle = ink.paper; pen.stroke();
    name(one.name, X(x), Y(y), ink.text);
  }

  function target(one) {
    const x = X(one.xy[0]), y = Y(one.xy[1]);
    pen.beginPath();
    one.what === "target" ? pen.arc(x, y, 9, 0, 2 * Math.PI) : pen.rect(x - 8, y - 8, 16, 16);
    pen.fillStyle = one.what === "target" ? ink.person : ink.paper; pen.fill();
    pen.lineWidth = 3; pen.strokeStyle = one.what === "target" ? ink.paper : ink.person; pen.stroke();
    name(one.name, x, y, ink.person);
  }

  function draw() {
    pen.setLineDash([]);
    pen.fillStyle = ink.paper;
    pen.fillRect(0, 0, canvas.width, canvas.height);
    if (relief.complete && relief.naturalWidth) pen.drawImage(relief, 0, 0, canvas.width, canvas.height);
    const [recorded, sure] = cells();
    pen.lineWidth = 4; pen.strokeStyle = ink.outline;
    for (const ring of data.outline) { line(ring, true); pen.stroke(); }
    if (find("lanes").checked) for (const lane of data.lanes) {
      line(lane.xy, false);
      pen.lineWidth = 2; pen.strokeStyle = ink.faint; pen.setLineDash([10, 6]); pen.stroke(); pen.setLineDash([]);
      pen.font = "18px system-ui, sans-serif"; pen.fillStyle = ink.faint;
      pen.fillText("L" + lane.n, X(lane.xy[0]) + 4, Y(lane.xy[1]) + 20);
    }
    data.tracks.forEach(track);
    if (find("hidden").checked) data.targets.forEach(target);
    find("clock").value = clock(now);
    find("time").value = now;
    const percent = (v) => (100 * v).toFixed(0) + " %";
    find("covered").textContent = "Covered as recorded " + percent(recorded) + ", surely " + percent(sure);
    const at = data.survival[Math.min(data.survival.length - 1, Math.max(0, Math.round(now / 30)))];
    const alive = at[1] === at[2] ? at[1] + " %" : at[1] + " to " + at[2] + " %";
    find("alive").textContent = data.timed ? "Alive if buried at 0:00: " + alive + " (" + data.curve + ")" : "No times recorded";
    const list = find("noted");
    list.replaceChildren(...data.noted.filter((one) => one.s <= now).slice(-4).map((one) => {
      const item = document.createElement("li");
      item.textContent = clock(one.s) + "  " + one.words;
      return item;
    }));
  }

  function tick(stamp) {
    if (!playing) return;
    now = Math.min(data.end_s, now + (before ? (stamp - before) / 1000 : 0) * Number(find("speed").value));
    before = stamp;
    draw();
    now >= data.end_s ? stop() : requestAnimationFrame(tick);
  }
  function stop() { playing = false; find("play").textContent = "Play"; }

  find("play").addEventListener("click", () => {
    if (playing) return stop();
    if (now >= data.end_s) now = 0;
    playing = true; before = 0; find("play").textContent = "Pause";
    requestAnimationFrame(tick);
  });
  find("time").max = Math.ceil(data.end_s);
  find("time").addEventListener("input", (event) => { now = Number(event.target.value); draw(); });
  for (const id of ["lanes", "hidden"]) find(id).addEventListener("change", draw);
  for (const id of ["play", "time", "speed"]) find(id).disabled = !data.timed;
  if (!data.targets.length) find("hidden").parentElement.hidden = true;
  find("verdict").textContent = data.verdict;
  relief.onload = draw;
  if (data.relief) relief.src = data.relief;
  if (location.hash.startsWith("#t=")) now = Math.min(data.end_s, Number(location.hash.slice(3)) || 0);
  draw();
})();
