// @ts-check
import { api } from "./api.js";
import { button, h } from "./dom.js";
import { chosen } from "./store.js";
import { T } from "./text.js";
import { sameAsFiles, world } from "./world.js";

/** @param {{keep: () => void}} actions */
export const handStep = (actions) => ({
  id: "hand",
  summary: () => "",
  build: () => {
    if (!world.plan) return [h("p", {}, T.hand.none)];
    const names = world.files.map((file) => file.name);
    const sheet = ["sheet.pdf", "map.png"].find((name) => names.includes(name));
    const gpx = names.find((name) => name.endsWith(".gpx"));
    const plan = world.plan.id;
    return [
      world.kept && world.kept === chosen.plan
        ? h("p", { class: "keep strong", role: "status" }, T.search.kept(world.kept))
        : null,
      sameAsFiles()
        ? null
        : h(
            "div",
            { class: "keep" },
            h("p", {}, T.hand.differ, " ", T.search.keepHelp),
            button(T.search.keep, actions.keep, { class: "main" }),
          ),
      h(
        "div",
        { class: "stack" },
        sheet
          ? h(
              "a",
              {
                class: sameAsFiles() ? "button main big" : "button big",
                href: `${api.fileUrl(plan, sheet)}?show=1`,
                target: "_blank",
                rel: "noopener",
              },
              T.hand.sheet,
            )
          : null,
        gpx ? h("a", { class: "button", href: api.fileUrl(plan, gpx), download: gpx }, T.hand.gpx) : null,
        h("a", { class: "button", href: api.zipUrl(plan), download: `${plan}.zip` }, T.hand.all),
      ),
      h(
        "details",
        {},
        h("summary", {}, T.hand.files),
        h(
          "ul",
          { class: "list files" },
          world.files.map((file) =>
            h(
              "li",
              {},
              h("a", { href: api.fileUrl(plan, file.name), download: file.name }, file.name),
              h("small", {}, [T.hand.kinds[file.name], T.hand.size(file.bytes)].filter(Boolean).join(", ")),
            ),
          ),
        ),
      ),
      h("p", { class: "help path" }, T.hand.folder, " ", h("code", {}, `${world.state.folder}/${chosen.plan}`)),
    ];
  },
});
