// @ts-check
/** Colours, hatches and written labels of the map, from the palette that all products share. */

/** @type {import("./types.js").Palette} */
let palette;
export const setPalette = (/** @type {import("./types.js").Palette} */ given) => {
  palette = given;
};
export const ink = () => palette;

export const isDark = () => document.documentElement.dataset.theme === "dark";

/** What the ground looks like by day and by night: greys only. */
export const ground = () =>
  isDark()
    ? {
        paper: "#1b1f22",
        dark: [0.02, 0.4],
        contour: "#7d868b",
        index: "#a3abb0",
        text: "#d5dadd",
        halo: "#15181a",
        lane: "#ffffff",
        casing: "#10181c",
        outline: "#8fc6e6",
        release: "#9fc9c6",
        path: "#8fb3b0",
        trap: "#e8e8e8",
        person: "#ff9f7d",
      }
    : {
        paper: "#f2f2f0",
        dark: [0, 1],
        contour: "#9a9a9a",
        index: "#6a6a6a",
        text: "#333333",
        halo: "#ffffff",
        lane: palette.lanes.colour,
        casing: palette.lanes.casing,
        outline: palette.debris.outline,
        release: palette.snow.release,
        path: palette.snow.path,
        trap: palette.traps.colour,
        person: palette.person.line,
      };

/** Dashes in points as multiples of a line's width. */
export const dashes = (/** @type {number[]} */ points, /** @type {number} */ width) =>
  points.length ? points.map((length) => (length * 1.1) / width) : [1, 0];

const RATIO = 2;

/**
 * A picture for a name that the map asks for: "label|kind|theme|text", "hatch|sign|theme" or "arrow|kind|theme".
 * The map library writes text only with fonts from a server; labels drawn here need none.
 * @param {any} map
 * @param {string} id
 */
export function drawMissing(map, id) {
  const [what, kind, , ...rest] = id.split("|");
  if (map.hasImage(id)) return;
  if (what === "label") map.addImage(id, label(kind, rest.join("|")), { pixelRatio: RATIO });
  else if (what === "arrow") map.addImage(id, arrow(), { pixelRatio: RATIO });
  else if (what === "hatch") map.addImage(id, hatch(kind), { pixelRatio: RATIO });
}

const FONTS = /** @type {Record<string, {font: string, box?: boolean, ink: () => string, halo: () => string}>} */ ({
  contour: { font: "500 10.5px system-ui, sans-serif", ink: () => ground().index, halo: () => ground().halo },
  slope: { font: "600 10.5px system-ui, sans-serif", ink: () => ground().text, halo: () => ground().halo },
  trap: { font: "700 12px system-ui, sans-serif", ink: () => ground().trap, halo: () => ground().halo },
  zone: { font: "700 12px system-ui, sans-serif", ink: () => ground().outline, halo: () => ground().halo },
  lane: { font: "700 12px system-ui, sans-serif", box: true, ink: () => ground().casing, halo: () => ground().lane },
  walker: { font: "700 13px system-ui, sans-serif", box: true, ink: () => "#ffffff", halo: () => palette.person.line },
});

/**
 * @param {string} kind
 * @param {string} text
 */
function label(kind, text) {
  const look = FONTS[kind] || FONTS.contour;
  const canvas = document.createElement("canvas");
  let pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  pen.font = look.font;
  const wide = Math.ceil(pen.measureText(text).width) + 10;
  const high = 19;
  canvas.width = Math.max(wide, look.box ? high : 0) * RATIO;
  canvas.height = high * RATIO;
  pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  pen.scale(RATIO, RATIO);
  const width = canvas.width / RATIO;
  pen.font = look.font;
  pen.textAlign = "center";
  pen.textBaseline = "middle";
  if (look.box) {
    pen.fillStyle = look.halo();
    pen.beginPath();
    pen.roundRect(0.5, 0.5, width - 1, high - 1, high / 2);
    pen.fill();
    pen.lineWidth = 1;
    pen.strokeStyle = look.ink();
    pen.stroke();
  } else {
    pen.lineWidth = 3.4;
    pen.lineJoin = "round";
    pen.strokeStyle = look.halo();
    pen.strokeText(text, width / 2, high / 2 + 0.5);
  }
  pen.fillStyle = look.ink();
  pen.fillText(text, width / 2, high / 2 + 0.5);
  return pen.getImageData(0, 0, canvas.width, canvas.height);
}

/** The way a lane is walked: a head that points to the right. */
function arrow() {
  const side = 18 * RATIO;
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = side;
  const pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  pen.beginPath();
  pen.moveTo(0.2 * side, 0.16 * side);
  pen.lineTo(0.86 * side, 0.5 * side);
  pen.lineTo(0.2 * side, 0.84 * side);
  pen.closePath();
  pen.lineJoin = "round";
  pen.lineWidth = 2 * RATIO;
  pen.strokeStyle = ground().casing;
  pen.stroke();
  pen.fillStyle = ground().lane;
  pen.fill();
  return pen.getImageData(0, 0, side, side);
}

/** A pattern of strokes or dots that repeats: "////" and the like, as on the printed map. @param {string} sign */
function hatch(sign) {
  const many = Math.min(sign.length, 6);
  const cell = Math.round((48 / Math.max(2, many)) * 1.2) * RATIO;
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = cell;
  const pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  pen.strokeStyle = pen.fillStyle = ground().trap;
  pen.lineWidth = 1.1 * RATIO;
  const line = (
    /** @type {number} */ x0,
    /** @type {number} */ y0,
    /** @type {number} */ x1,
    /** @type {number} */ y1,
  ) => {
    pen.beginPath();
    pen.moveTo(x0, y0);
    pen.lineTo(x1, y1);
    pen.stroke();
  };
  const rising = () => [-1, 0, 1].forEach((k) => line(k * cell, cell, (k + 1) * cell, 0));
  const falling = () => [-1, 0, 1].forEach((k) => line(k * cell, 0, (k + 1) * cell, cell));
  const ring = (/** @type {number} */ r, /** @type {boolean} */ full) => {
    pen.beginPath();
    pen.arc(cell / 2, cell / 2, r * RATIO, 0, 7);
    if (full) pen.fill();
    else pen.stroke();
  };
  const stroke = sign[0];
  if (stroke === "/" || stroke === "x") rising();
  if (stroke === "\\" || stroke === "x") falling();
  if (stroke === "-" || stroke === "+") line(0, cell / 2, cell, cell / 2);
  if (stroke === "|" || stroke === "+") line(cell / 2, 0, cell / 2, cell);
  if (stroke === ".") ring(1.5, true);
  if (stroke === "o") ring(2.4, false);
  if (stroke === "O") ring(4, false);
  if (stroke === "*") ring(2.6, true);
  return pen.getImageData(0, 0, cell, cell);
}

export const themeKey = () => (isDark() ? "dark" : "light");
