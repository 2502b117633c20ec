// Copies of the finished picture: which sizes, with whose name on them, and the files there are.

import { get, post } from "./api.js";
import { button, el, field, fill } from "./dom.js";

const KINDS = { jpg: "JPEG", png: "PNG", tif: "TIFF, 16 bits", avif: "AVIF, high dynamic range" };

export async function exportsView(app, main) {
  const [{ sizes, files }, settings] = await Promise.all([get("exports"), get("settings")]);
  let revision = settings.revision;
  const chosen = new Set(["web"]);
  const formats = new Map();

  const credit = (key, label, hint) => {
    const input = el("input", { type: "text", maxlength: 200, value: settings.compose[key] });
    input.addEventListener("change", async () => {
      try {
        const saved = await post("settings", { revision, settings: { compose: { [key]: input.value } } });
        revision = saved.revision;
        app.saved(`Saved in ${app.state.config}`);
        app.pendingChanged();
      } catch (error) {
        if (error.status === 409) revision = (await get("state")).revision;
        app.notice(error.status === 409
          ? "The config was changed elsewhere meanwhile; press Enter there to write it again."
          : error.message, { kind: "warning", key: "credit" });
      }
    });
    return field(label, input, hint);
  };

  const row = ({ name, about, kind }) => {
    const id = `size-${name}`;
    const format = el("select", { "aria-label": `Format of ${name}`, onchange: (event) => formats.set(name, event.target.value) },
      Object.keys(KINDS).map((k) => el("option", { value: k, selected: k === kind }, KINDS[k])));
    formats.set(name, kind);
    return el("li", {},
      el("input", { type: "checkbox", id, checked: chosen.has(name), onchange: (event) => { if (event.target.checked) chosen.add(name); else chosen.delete(name); } }),
      el("label", { for: id }, el("strong", {}, name), ` ${about}`), format);
  };

  const own = el("input", { type: "text", placeholder: "2000 or 1920x1080" });
  const go = async () => {
    const wanted = [...chosen].map((name) => `${name}.${formats.get(name)}`);
    if (own.value.trim()) wanted.push(own.value.trim());
    try {
      app.state.making = await post("export", { sizes: wanted });
    } catch (error) {
      app.notice(error.message, { kind: "warning", key: "export" });
    }
  };

  const list = el("ul.files", {});
  const show = (names) => fill(list, ...(names.length
    ? names.map((name) => el("li", {}, el("a", { href: `made/${encodeURIComponent(name)}`, target: "_blank", rel: "noopener" }, name)))
    : [el("li.hint", {}, "None yet.")]));
  show(files);

  const there = app.state.there.composite;
  fill(main, el("div.column", {},
      el("h1", {}, "Exports"),
      there ? null : el("p.message", {}, "There is no finished picture yet: “Make it” makes one."),
      el("p", {}, "Copies of the finished picture as it was made last. They are resampled in linear light, sharpened for their size, and carry caption and credit."),
      el("h2", {}, "Sizes"),
      el("ul.sizes", {}, sizes.map(row)),
      field("Another size, in pixels", own, "The longer side, or width x height."),
      el("h2", {}, "Caption and credit"),
      credit("title", "Title", "Of the finished picture; “Make it” writes it into the files."),
      credit("author", "Credit", "Your name, as author and copyright holder."),
      el("div.row", {}, button("Export", go, { class: "primary", disabled: !there })),
      el("h2", {}, "Files"),
      el("p.hint", {}, `In ${app.state.workspace}/exports`),
      list),
  );
  return {
    async made() { show((await get("exports")).files); },
    configChanged(newer) { revision = newer; },
  };
}
