// Tuning the picture: every change is seen at once and written into the config a moment later.

import { get, post, view } from "./api.js";
import { control } from "./controls.js";
import { button, debounced, el, field, fill, select, typing } from "./dom.js";
import { histogram } from "./histogram.js";
import { drawFramed, makeStage } from "./stage.js";
import { stepsEditor } from "./steps.js";

const VIEWS = [["picture", "Picture"], ["structure", "Structure"], ["linear", "Linear corona"]];
const RATIOS = [
  ["", "Free"], ["3:2", "3 : 2"], ["4:3", "4 : 3"], ["16:9", "16 : 9"], ["1:1", "1 : 1"],
  ["2:3", "2 : 3"], ["3:4", "3 : 4"], ["9:16", "9 : 16"],
];
const SAVE_MS = 700;
const SLOW_MS = 140; // beyond which what moves is followed at half the size

let controls = null; // the same for the whole session

export async function pictureView(app, main) {
  if (!app.state.there.corona) return without(app, main);
  // At half the size first, so that there is something to look at; of what the config says.
  const first = view({ draft: true }).catch(() => null);
  const [settings, known] = await Promise.all([get("settings"), controls ?? get("controls")]);
  controls = known;
  const page = new Picture(app, main, settings);
  await page.show(first);
  return page;
}

class Picture {
  constructor(app, main, { revision, compose, enhance, variants }) {
    Object.assign(this, { app, main, revision });
    this.now = { compose, enhance, variants };
    this.base = structuredClone(this.now); // as the file had it last, as far as this page knows
    this.past = [];
    this.future = [];
    this.view = "picture";
    this.second = "";
    this.cropping = false;
    this.ratio = "";
    this.took = new Map(); // by what is moved: how long the view of full size took
    this.save = debounced(() => this.write(), SAVE_MS);
    this.stage = makeStage({
      asked: (height, angle) => post("value", { height, angle }),
      cropped: (region, moving) => this.cropTo(region, moving),
    });
    this.graph = histogram();
    this.keys = (event) => this.key(event);
    document.addEventListener("keydown", this.keys);
  }

  // What is set, and its history.

  change(update, { moving = false, redraw = false, what = "" } = {}) {
    if (!this.held) {
      this.past.push(structuredClone(this.now));
      if (this.past.length > 100) this.past.shift();
      this.future = [];
    }
    this.held = moving; // a drag is one step back
    update(this.now);
    this.history();
    if (redraw) this.panel();
    this.draw(moving, what);
    this.save();
    this.app.saved("Changed …");
  }

  step(from, to) {
    if (!from.length) return;
    to.push(structuredClone(this.now));
    this.now = from.pop();
    this.held = false;
    this.history();
    this.panel();
    this.bar();
    this.draw();
    this.save();
  }

  undo() { this.step(this.past, this.future); }

  redo() { this.step(this.future, this.past); }

  history() {
    this.undoButton.disabled = this.past.length === 0;
    this.redoButton.disabled = this.future.length === 0;
  }

  async write(revision = this.revision) {
    const sent = structuredClone(this.now);
    try {
      this.writing = post("settings", { revision, settings: sent });
      const { revision: saved } = await this.writing;
      this.revision = saved;
      this.base = sent;
      this.app.revision = saved;
      this.app.saved(`Saved in ${this.app.state.config}`);
      this.app.pendingChanged();
    } catch (error) {
      this.app.saved("Not saved");
      if (error.status !== 409) { this.app.notice(error.message, { kind: "warning", key: "save" }); return; }
      this.conflict = true; // until one of the two below is chosen
      this.app.notice("The config was changed elsewhere since this page read it, so your last change is not saved yet.", {
        kind: "warning", key: "conflict",
        actions: [
          ["Add my changes to it", () => this.join()],
          ["Take the file's settings", () => this.reload()],
        ],
      });
    } finally {
      this.writing = null;
    }
  }

  /** Take the file's settings and write into it what was changed here, nothing else. */
  async join() {
    this.conflict = false;
    const { revision, ...theirs } = await get("settings");
    const differs = (a, b) => JSON.stringify(a) !== JSON.stringify(b);
    const mine = structuredClone(this.now);
    this.now = structuredClone(theirs);
    for (const key of Object.keys(mine.compose)) {
      if (differs(mine.compose[key], this.base.compose[key])) this.now.compose[key] = mine.compose[key];
    }
    for (const key of ["enhance", "variants"]) if (differs(mine[key], this.base[key])) this.now[key] = mine[key];
    this.past.push(mine);
    this.history();
    this.panel();
    this.bar();
    this.draw();
    await this.write(revision);
  }

  /** Wait until everything is saved. */
  async settle() {
    this.save.flush();
    await this.writing?.catch(() => {});
  }

  async configChanged(revision) {
    if (revision === this.revision || this.writing || this.conflict) return;
    if (this.save.waits()) return; // saving will tell
    await this.reload();
    this.app.notice("The config was changed elsewhere; the page shows it as it is now.");
  }

  async reload() {
    this.conflict = false;
    const { revision, ...settings } = await get("settings");
    this.past.push(this.now);
    this.now = settings;
    this.base = structuredClone(settings);
    this.revision = revision;
    this.history();
    this.panel();
    this.bar();
    this.draw();
    this.app.saved("");
  }

  made() { this.draw(); }

  leave() {
    this.save.flush();
    document.removeEventListener("keydown", this.keys);
    this.stage.leave();
    this.gone = true;
  }

  key(event) {
    if (typing(event)) return;
    const control = event.ctrlKey || event.metaKey;
    if (control && event.key.toLowerCase() === "z") {
      event.preventDefault();
      if (event.shiftKey) this.redo(); else this.undo();
    } else if (control && event.key.toLowerCase() === "y") {
      event.preventDefault();
      this.redo();
    } else if (!control && !event.altKey && ["1", "2", "3"].includes(event.key)) {
      this.look(VIEWS[Number(event.key) - 1][0]);
    }
  }

  // What is seen.

  /** Ask for the views that are shown; the last wish wins, one is computed at a time. */
  async draw(moving = false, what = "") {
    this.wish = { moving, what };
    if (this.busy) return;
    this.busy = true;
    const late = setTimeout(() => this.stage.waiting(true), 600);
    try {
      while (this.wish && !this.gone) {
        const { moving: quick, what: moved } = this.wish;
        this.wish = null;
        const draft = quick && (this.took.get(moved) ?? Infinity) > SLOW_MS;
        const settings = { compose: this.now.compose, enhance: this.now.enhance };
        const begun = performance.now();
        const first = await view({ settings, view: this.view, draft, uncropped: this.cropping });
        const other = this.second ? await this.other(settings, draft) : null;
        if (!draft) this.took.set(moved, performance.now() - begun);
        this.put(first, other);
        if (draft && !this.wish && !this.held) this.wish = { moving: false, what: moved };
      }
      this.message("");
    } catch (error) {
      this.message(error.message);
    } finally {
      clearTimeout(late);
      this.stage.waiting(false);
      this.busy = false;
    }
  }

  put(first, other) {
    this.stage.draw(first, other);
    this.graph.draw(first.about);
    this.main.dataset.drawn = String(Number(this.main.dataset.drawn ?? 0) + 1);
    if (this.cropping) this.frameCrop();
  }

  other(settings, draft) {
    const variant = this.now.variants.find((v) => `variant ${v.name}` === this.second);
    const shown = variant ? { compose: { ...variant.compose }, enhance: variant.enhance } : settings;
    if (variant) shown.compose = { ...shown.compose, ...framing(this.now.compose) };
    return view({ settings: shown, view: variant ? this.view : this.second, draft, uncropped: this.cropping });
  }

  message(text) {
    this.told.textContent = text;
    this.told.hidden = !text;
  }

  look(name) {
    this.view = name;
    this.bar();
    this.draw();
  }

  // The parts of the page.

  async show(first) {
    this.undoButton = button("Undo", () => this.undo(), { title: "Ctrl+Z" });
    this.redoButton = button("Redo", () => this.redo(), { title: "Ctrl+Shift+Z" });
    this.told = el("p.message", { role: "alert", hidden: true });
    this.top = el("div.toolbar", { role: "group", "aria-label": "What is shown" });
    this.side = el("div.panel", { role: "group", "aria-label": "Settings of the picture" });
    this.variants = el("section.variants", { "aria-label": "Kept versions" });
    const under = el("div.under", {}, this.stage.readout,
      button("−", () => this.stage.zoom(1 / 1.5), { "aria-label": "Smaller" }),
      button("+", () => this.stage.zoom(1.5), { "aria-label": "Larger" }),
      button("Fit", () => this.stage.zoom(0), { "aria-label": "Fit the picture into its place" }));
    fill(this.main, el("h1.unseen", {}, "Picture"),
      el("div.work", {}, this.top, this.told, this.stage.box, this.stage.divider, under, this.variants),
      el("div.side", {}, this.graph.box, el("div.row", {}, this.undoButton, this.redoButton), this.side),
    );
    this.history();
    this.bar();
    this.panel();
    const shown = await first;
    if (shown && !this.gone) this.put(shown, null);
    this.drawn = this.draw();
  }

  bar() {
    const views = el("fieldset.choices", {}, el("legend.unseen", {}, "View"), VIEWS.map(([name, label], n) =>
      el("label", { title: `Key ${n + 1}` },
        el("input", { type: "radio", name: "view", value: name, checked: this.view === name, onchange: () => this.look(name) }),
        el("span", {}, label))));
    const others = [["", "nothing"], ...VIEWS.filter(([name]) => name !== this.view),
      ...this.now.variants.map((v) => [`variant ${v.name}`, v.name])];
    if (!others.some(([name]) => name === this.second)) this.second = "";
    const compare = select(others, this.second, (name) => {
      this.second = name;
      this.divide();
      this.draw();
    }, { id: "compare" });
    const crop = button(this.cropping ? "Done" : "Crop", () => this.toggleCrop(), { "aria-pressed": this.cropping });
    const row = [views, el("label.inline", { for: "compare" }, "Split with "), compare, crop];
    if (this.cropping) {
      row.push(el("label.inline", { for: "ratio" }, "Sides "),
        select(RATIOS, this.ratio, (ratio) => this.chooseRatio(ratio), { id: "ratio" }),
        button("Whole picture", () => this.cropTo(null, false)));
    }
    fill(this.top, ...row);
    this.divide();
    this.versions();
  }

  divide() {
    const name = (key) => VIEWS.find(([v]) => v === key)?.[1] ?? key.replace("variant ", "");
    const variant = this.second.startsWith("variant ");
    this.stage.double(Boolean(this.second), [variant ? "Now" : name(this.view), name(this.second)]);
  }

  panel() {
    const { compose, enhance } = this.now;
    const open = new Set([...this.side.querySelectorAll("details:not([open])")].map((d) => d.dataset.title));
    const group = (title, ...parts) => el("details.group", { "data-title": title, open: !open.has(title) },
      el("summary", {}, title), parts);
    const named = Math.max(0, enhance.findIndex((recipe) => recipe.name === compose.detail));
    const detail = [];
    if (enhance.length > 1) {
      detail.push(field("Detail from", select(enhance.map((r) => [r.name, r.name]), enhance[named].name,
        (name) => this.change((now) => { now.compose.detail = name; }, { redraw: true }))));
    }
    detail.push(stepsEditor(controls.filters, enhance[named].steps, (steps, moving) =>
      this.change((now) => { now.enhance[named].steps = steps; }, { moving, what: "filters" })));
    fill(this.side, ...controls.groups.map(({ title, controls: specs }) => group(title, specs.map((spec) =>
        control(spec, compose[spec.name], (value, moving) =>
          this.change((now) => { now.compose[spec.name] = value; }, { moving, what: spec.name }))),
      title === "Framing" ? this.cropFields() : null)),
      group("Filters", detail),
    );
  }

  // The crop.

  toggleCrop() {
    this.cropping = !this.cropping;
    if (!this.cropping) this.stage.crop(null);
    this.bar();
    this.draw();
  }

  shape() {
    const [a, b] = this.ratio.split(":").map(Number);
    return this.ratio ? a / b : null;
  }

  frameCrop() {
    let whole = this.stage.about().whole;
    const radii = this.now.compose.crop_radii;
    if (radii !== null) { // to the same distance on opposite sides
      const w = Math.min(whole.left, whole.right);
      const h = Math.min(whole.top, whole.bottom);
      const part = Math.min(1, radii / Math.min(w, h));
      whole = { left: w * part, right: w * part, top: h * part, bottom: h * part };
    }
    this.stage.crop(this.now.compose.crop ?? whole, this.shape(), "");
  }

  chooseRatio(ratio) {
    this.ratio = ratio;
    if (!ratio) { this.frameCrop(); return; }
    const now = this.now.compose.crop ?? { ...this.stage.about().whole };
    this.cropTo(this.stage.crop(now, this.shape(), "e"), false);
  }

  cropTo(region, moving) {
    const exact = region && Object.fromEntries(Object.entries(region).map(([k, v]) => [k, Number(v.toFixed(4))]));
    this.change((now) => {
      now.compose.crop = exact;
      now.compose.crop_radii = null;
    }, { moving });
    if (!moving) this.panel();
  }

  cropFields() {
    const crop = this.now.compose.crop;
    if (!crop) {
      return el("p.hint", {}, this.now.compose.crop_radii === null
        ? "Not cropped. “Crop” above the picture draws a frame."
        : `Cropped to ${this.now.compose.crop_radii} solar radii from the Sun's centre.`);
    }
    const side = (name) => {
      const input = el("input", { type: "number", step: "any", value: crop[name], class: "number" });
      input.addEventListener("change", () => {
        const value = Number(input.value);
        const next = { ...this.now.compose.crop, [name]: value };
        const bad = !Number.isFinite(value) || next.left + next.right < 0.1 || next.top + next.bottom < 0.1;
        input.setAttribute("aria-invalid", bad);
        if (!bad) this.cropTo(next, false);
      });
      return field(`Crop, ${name} (R☉)`, input);
    };
    return el("div.four", {}, ["left", "right", "top", "bottom"].map(side));
  }

  // Versions kept beside the picture.

  versions() {
    const list = this.now.variants;
    const name = el("input", { type: "text", maxlength: 60, id: "keep-name", placeholder: "Name of this version" });
    const keep = () => {
      const called = name.value.trim();
      if (!called || list.some((v) => v.name === called)) {
        name.setAttribute("aria-invalid", "true");
        name.focus();
        return;
      }
      const { compose, enhance } = structuredClone(this.now);
      this.change((now) => now.variants.push({ name: called, compose, enhance }));
      this.bar();
    };
    const cards = list.map((variant, n) => {
      const canvas = el("canvas", { role: "img", "aria-label": `The version ${variant.name}` });
      view({ settings: { compose: variant.compose, enhance: variant.enhance }, draft: true })
        .then((shown) => drawFramed(canvas, shown)).catch((error) => canvas.replaceWith(el("p.hint", {}, error.message)));
      return el("figure", {}, canvas, el("figcaption", {}, variant.name), el("div.row", {},
        button("Take up", () => this.change((now) => {
          Object.assign(now, structuredClone({ compose: variant.compose, enhance: variant.enhance }));
        }, { redraw: true }), { "aria-label": `Take up ${variant.name}` }),
        button("Split", () => { this.second = `variant ${variant.name}`; this.bar(); this.draw(); }, { "aria-label": `Split with ${variant.name}` }),
        button("Remove", () => { this.change((now) => now.variants.splice(n, 1)); this.bar(); }, { class: "quiet", "aria-label": `Remove ${variant.name}` })));
    });
    const drawn = JSON.stringify(list);
    if (this.variantsDrawn === drawn) return;
    this.variantsDrawn = drawn;
    fill(this.variants, el("form.row", { onsubmit: (event) => { event.preventDefault(); keep(); } },
        el("label", { for: "keep-name", class: "unseen" }, "Name of this version"), name,
        el("button", { type: "submit" }, "Keep this version")),
      cards.length ? el("div.cards", {}, cards) : el("p.hint", {}, "Versions that you keep are listed here, to compare and to return to. They are in the config, under variants."),
    );
  }
}

const framing = ({ up, rotation_deg, crop, crop_radii }) => ({ up, rotation_deg, crop, crop_radii });

/** What can be done where there is no corona. */
async function without(app, main) {
  const { there } = app.state;
  const parts = [el("h1", {}, "There is no corona to tune")];
  if (!there.frames) {
    parts.push(el("p", {}, "Nothing has been run in this workspace yet. “Make it” reads the card and makes all that it can; that takes minutes."));
  } else if (there.sun) {
    parts.push(
      el("p", {}, "The eclipse was not total at this site, so the picture is of the Sun's disc. It has no sliders: its colours and its size follow the config's section compose."),
      there.composite ? el("img.finished", { src: `made/composite.png?v=${app.state.composite_version}`, alt: "The finished picture of the Sun" }) : null);
  } else {
    const [{ frames }, { stages }] = await Promise.all([get("frames"), get("pending")]);
    const total = frames.filter((frame) => frame.phase === "totality").length;
    if (total && stages.includes("merge")) {
      parts.push(el("p", {}, `${total} frames are of totality. They have not been merged yet, or not with the present config; “Make it” does so.`));
    } else parts.push(el("p", {}, total
      ? `${total} frames are of totality, but none of them could be merged. In Frames each tells why. “Keep” (K) merges a frame anyway, if its position can be found.`
      : "No frame was recognised as totality. If some show the corona, mark them in Frames: choose them and press T. If all were taken through a filter, there is no corona to show."));
    parts.push(el("p", {}, el("a", { href: "#frames" }, "Look at the frames")));
  }
  fill(main, el("div.empty", {}, parts));
  return { made() { pictureView(app, main).then((made) => { app.view = made; }); } };
}
