// The light table: all frames along corrected time, each at full size, and what the user says.

import { get, post } from "./api.js";
import { button, clockTime, el, exposure, field, fill, select, typing } from "./dom.js";
import { Viewer, describe } from "./viewer.js";

const PHASES = {
  partial: "Partial", contact: "Contact", totality: "Totality", dark: "Dark", flat: "Flat",
  bias: "Bias", other: "Other", unreadable: "Unreadable",
};
const SAYS = [
  ["k", "Keep", { use: "keep" }], ["d", "Drop", { use: "drop" }], ["a", "As found", { use: "auto", phase: "auto" }],
  ["p", "Partial", { phase: "partial" }], ["t", "Totality", { phase: "totality" }], ["o", "Other", { phase: "other" }],
];
const HELP = "Arrow keys move from frame to frame, Shift selects several. K keeps, D drops, A undoes your mark; P, T and O say partial, totality, other. C compares with the frame before, Enter goes to the large view.";

export async function framesView(app, main) {
  const page = new Frames(app, main);
  await page.load();
  return page;
}

class Frames {
  constructor(app, main) {
    Object.assign(this, { app, main });
    this.filter = { phase: "", exposure: "", camera: "", state: "" };
    this.chosen = new Set();
    this.current = null;
    this.against = null;
    this.viewer = new Viewer();
    this.viewer.told = () => this.tellDecoded();
  }

  leave() { this.viewer.leave(); }

  made() { return this.load(); }

  configChanged(revision) { if (revision !== this.revision && !this.saying) this.load(); }

  take({ revision, version, frames, card }) {
    Object.assign(this, { revision, version, card });
    const key = (frame) => frame.time ?? "9999";
    this.frames = frames.sort((a, b) => (key(a) < key(b) ? -1 : key(a) > key(b) ? 1 : a.id - b.id));
    this.byId = new Map(this.frames.map((frame) => [frame.id, frame]));
  }

  async load() {
    this.take(await get("frames"));
    if (!this.frames.length) {
      fill(this.main, el("div.empty", {}, el("h1", {}, "There are no frames yet"),
        el("p", {}, "“Make it” reads the card that the config names and measures every frame. That takes minutes; you can watch it here.")));
      return;
    }
    const wished = Number(sessionStorage.getItem("frame") ?? NaN);
    sessionStorage.removeItem("frame");
    this.current = this.byId.get(wished) ?? this.byId.get(this.current?.id)
      ?? this.frames.find((frame) => frame.phase === "totality") ?? this.frames[0];
    this.chosen = new Set([this.current.id]);
    const had = this.table?.contains(document.activeElement) ?? false;
    this.build();
    this.list();
    this.open(this.current, { focus: had });
    this.items.get(this.current.id)?.scrollIntoView({ block: "center" });
  }

  build() {
    const by = (key, label, options) => field(label, select([["", "all"], ...options], this.filter[key], (value) => {
      this.filter[key] = value;
      this.list();
    }));
    const distinct = (of) => [...new Set(this.frames.map(of))];
    const cameras = distinct((frame) => frame.camera).filter(Boolean);
    const exposures = distinct((frame) => frame.exposure_s).filter((s) => s > 0).sort((a, b) => a - b);
    this.count = el("p.count", { role: "status" });
    this.table = el("div.table", { role: "listbox", "aria-multiselectable": "true", "aria-label": "Frames", "aria-describedby": "frames-help" });
    this.table.addEventListener("keydown", (event) => this.key(event));
    this.table.addEventListener("click", (event) => this.click(event));
    this.info = el("div.info", { "aria-live": "polite" });
    this.strip = el("div.strip", { role: "group", "aria-label": "View" });
    fill(this.main, el("h1.unseen", {}, "Frames"),
      el("section.light", { "aria-label": "Light table" },
        el("div.filters", { role: "group", "aria-label": "Which frames are shown" },
          by("phase", "Phase", distinct((f) => f.phase).map((p) => [p, PHASES[p] ?? p])),
          by("exposure", "Exposure", exposures.map((s) => [String(s), exposure(s)])),
          cameras.length > 1 ? by("camera", "Body", cameras.map((c) => [c, c])) : null,
          by("state", "State", [["used", "merged"], ["left", "not merged"], ["said", "said by you"]])),
        this.count,
        this.table,
        el("p.hint", { id: "frames-help" }, HELP)),
      el("section.large", { "aria-label": "The frame" }, this.strip, this.viewer.canvas, this.info),
    );
  }

  shown() {
    const { phase, exposure: seconds, camera, state } = this.filter;
    return this.frames.filter((frame) =>
      (!phase || frame.phase === phase) && (!seconds || String(frame.exposure_s) === seconds)
      && (!camera || frame.camera === camera)
      && (!state || (state === "used" ? frame.used : state === "left" ? !frame.used && frame.phase === "totality" : frame.use || frame.said_phase)));
  }

  list() {
    const frames = this.shown();
    this.order = frames;
    this.place = new Map(frames.map((frame, n) => [frame.id, n]));
    this.items = new Map(frames.map((frame) => [frame.id, this.item(frame)]));
    const merged = frames.filter((frame) => frame.used).length;
    this.count.textContent = `${frames.length} of ${this.frames.length} frames, ${merged} merged`;
    const parts = [];
    let phase = null;
    for (const frame of frames) {
      if (frame.phase !== phase) {
        phase = frame.phase;
        parts.push(el("div.heading", { role: "presentation" }, `${PHASES[phase] ?? phase}, from ${clockTime(frame.time).slice(0, 8)}`));
      }
      parts.push(this.items.get(frame.id));
    }
    fill(this.table, ...parts);
    if (!frames.length) this.table.append(el("p.hint", {}, "No frame matches."));
    this.mark();
  }

  item(frame) {
    const img = frame.thumb
      ? el("img", { src: `thumb/${frame.id}?v=${this.version}`, alt: "", loading: "lazy", decoding: "async", width: 160, height: 107, draggable: "false" })
      : el("span.no-thumb", {}, frame.phase === "unreadable" ? "not readable" : "no preview");
    return el("div.frame", {
      role: "option", tabindex: -1, "aria-selected": "false", "data-id": frame.id, "data-state": stateOf(frame),
      "aria-label": `${frame.name}, ${PHASES[frame.phase] ?? frame.phase}, ${exposure(frame.exposure_s)}, ${clockTime(frame.time)}, ${stateWords(frame)}`,
    }, img, el("span.what", {}, el("span", {}, exposure(frame.exposure_s)), el("span.state", {}, stateWords(frame))));
  }

  /** Show what is chosen; only what differs from before is touched, of a thousand frames. */
  mark() {
    for (const id of this.marked ?? []) {
      if (!this.chosen.has(id)) this.items.get(id)?.setAttribute("aria-selected", "false");
    }
    for (const id of this.chosen) this.items.get(id)?.setAttribute("aria-selected", "true");
    this.marked = new Set(this.chosen);
    const reached = this.items.get(this.current?.id) ?? this.items.values().next().value;
    if (this.reached && this.reached !== reached) this.reached.tabIndex = -1;
    if (reached) reached.tabIndex = 0;
    this.reached = reached;
  }

  click(event) {
    const item = event.target.closest(".frame");
    if (!item) return;
    const frame = this.byId.get(Number(item.dataset.id));
    if (event.ctrlKey || event.metaKey) {
      if (this.chosen.has(frame.id)) this.chosen.delete(frame.id); else this.chosen.add(frame.id);
      this.open(frame, { keep: true });
    } else this.open(frame, { extend: event.shiftKey });
  }

  open(frame, { focus = true, extend = false, keep = false } = {}) {
    if (!frame) return;
    const from = this.current;
    this.current = frame;
    if (extend && from && this.place.has(from.id)) {
      const [a, b] = [this.place.get(from.id), this.place.get(frame.id)].sort((x, y) => x - y);
      for (const between of this.order.slice(a, b + 1)) this.chosen.add(between.id);
    } else if (!keep) this.chosen = new Set([frame.id]);
    this.mark();
    if (focus) this.items.get(frame.id)?.focus({ preventScroll: false });
    this.large();
    const next = this.order[(this.place.get(frame.id) ?? -2) + 1];
    clearTimeout(this.ahead);
    if (next && !this.card) this.ahead = setTimeout(() => describe(next.id, this.version).catch(() => {}), 900);
  }

  large() {
    const pair = this.against && this.against.id !== this.current.id ? [this.current, this.against] : [this.current];
    this.viewer.show(pair, this.version);
    this.drawInfo();
    this.drawStrip(pair.length === 2);
  }

  drawStrip(two) {
    const { viewer } = this;
    const stops = el("input", {
      type: "range", min: -2, max: 10, step: 1, value: viewer.stops, id: "stops",
      oninput: (event) => { viewer.stops = Number(event.target.value); viewer.request(); },
    });
    const parts = [
      button("−", () => viewer.zoom(1 / 1.5), { "aria-label": "Smaller" }),
      button("+", () => viewer.zoom(1.5), { "aria-label": "Larger" }),
      button("Fit", () => viewer.fit()),
      button("1 : 1", () => viewer.whole()),
      el("label.inline", {}, el("input", { type: "checkbox", checked: viewer.limbs, onchange: (event) => { viewer.limbs = event.target.checked; viewer.request(); } }), " Limbs"),
      el("label.inline", { for: "stops" }, "Brighter"), stops,
    ];
    if (two) {
      parts.push(
        el("label.inline", {}, el("input", { type: "checkbox", checked: viewer.mode === "blink", onchange: (event) => viewer.blink(event.target.checked) }), " Blink"),
        el("input", { type: "range", min: 0, max: 100, value: viewer.share * 100, "aria-label": "Divider between the two frames", oninput: (event) => { viewer.share = event.target.value / 100; viewer.request(); } }),
        button("End comparing", () => this.compare(null)));
    } else {
      parts.push(button("Compare", () => this.compare(this.before()), { title: "With the frame before (C)" }));
    }
    const focused = this.strip.contains(document.activeElement);
    fill(this.strip, ...parts);
    if (focused) this.strip.querySelector("button").focus();
  }

  before() {
    const chosen = [...this.chosen].filter((id) => id !== this.current.id);
    if (chosen.length) return this.byId.get(chosen[0]);
    const n = this.place.get(this.current.id) ?? 0;
    return this.order[n > 0 ? n - 1 : 1] ?? null;
  }

  compare(frame) {
    this.against = frame;
    if (!frame) this.viewer.blink(false);
    this.large();
  }

  drawInfo() {
    const frame = this.current;
    const many = this.chosen.size;
    const says = el("div.row.says", { role: "group", "aria-label": many > 1 ? `For ${many} frames` : "For this frame" },
      SAYS.map(([key, label, what]) => button(label, () => this.say(what), {
        "aria-pressed": what.use === "auto" ? null : String(what.use ? frame.use === what.use : frame.said_phase === what.phase),
        title: `Key ${key.toUpperCase()}`,
      })));
    const facts = [
      `${clockTime(frame.time)} UTC`, exposure(frame.exposure_s), frame.iso ? `ISO ${frame.iso}` : null,
      PHASES[frame.phase] ?? frame.phase, frame.camera,
      frame.residual_s === null ? null : `clock residual ${frame.residual_s.toFixed(2)} s`,
    ].filter(Boolean);
    const why = frame.note ? frame.note[0].toUpperCase() + frame.note.slice(1) : "";
    fill(this.info, el("h2", {}, frame.name, many > 1 ? el("span.many", {}, ` and ${many - 1} more`) : ""),
      el("p", {}, facts.join(" · ")),
      el("p.verdict", { "data-state": stateOf(frame) }, `${verdict(frame)}${why ? ` ${why}.` : ""}`),
      this.against && this.against.id !== frame.id ? el("p", {}, `Compared with ${this.against.name}, ${exposure(this.against.exposure_s)}, ${clockTime(this.against.time)} UTC, on the right, at the same solar coordinates${this.against.sun_x === null || frame.sun_x === null ? " as far as the Sun was found" : ""}.`) : null,
      says,
      el("p.decode", { role: "status" }));
    this.tellDecoded();
  }

  tellDecoded() {
    const line = this.info.querySelector(".decode");
    if (line) line.textContent = this.viewer.error || (this.card ? "The card is not there, so only previews are shown." : "");
  }

  async say(what) {
    const ids = [...this.chosen];
    this.saying = true; // the change that the next poll finds is ours
    try {
      this.keepPlace(await post("frames", { revision: this.revision, ids, ...what }));
      this.app.saved(`Saved in ${this.app.state.config}`);
      this.app.pendingChanged();
    } catch (error) {
      if (error.status !== 409) { this.app.notice(error.message, { kind: "warning", key: "say" }); return; }
      this.keepPlace(await get("frames"));
      this.app.notice("The config was changed elsewhere meanwhile. Your change is not in it yet.", {
        kind: "warning", key: "conflict", actions: [["Say it again", () => this.say(what)]],
      });
    } finally {
      this.saying = false;
    }
  }

  /** Take newer rows and draw only those that differ. */
  keepPlace(told) {
    const before = new Map(this.frames.map((frame) => [frame.id, JSON.stringify(frame)]));
    const had = this.table.contains(document.activeElement);
    this.take(told);
    this.order = this.order.map((frame) => this.byId.get(frame.id)).filter(Boolean);
    for (const frame of this.order) {
      if (before.get(frame.id) === JSON.stringify(frame)) continue;
      const item = this.item(frame);
      this.items.get(frame.id)?.replaceWith(item);
      this.items.set(frame.id, item);
    }
    this.current = this.byId.get(this.current.id);
    if (this.against) this.against = this.byId.get(this.against.id);
    this.mark();
    if (had) this.items.get(this.current.id)?.focus();
    this.drawInfo();
  }

  key(event) {
    if (typing(event) || event.ctrlKey || event.metaKey || event.altKey) return;
    const at = this.place.get(this.current?.id) ?? 0;
    const across = event.key === "ArrowRight" || event.key === "ArrowLeft";
    const columns = across ? 1 : Math.max(1, getComputedStyle(this.table).gridTemplateColumns.split(" ").length);
    const steps = { ArrowRight: 1, ArrowLeft: -1, ArrowDown: columns, ArrowUp: -columns, PageDown: 4 * columns, PageUp: -4 * columns };
    if (event.key in steps || event.key === "Home" || event.key === "End") {
      event.preventDefault();
      const last = this.order.length - 1;
      const to = event.key === "Home" ? 0 : event.key === "End" ? last : Math.min(Math.max(at + steps[event.key], 0), last);
      this.open(this.order[to], { extend: event.shiftKey });
      return;
    }
    const said = SAYS.find(([key]) => key === event.key.toLowerCase());
    if (said) this.say(said[2]);
    else if (event.key.toLowerCase() === "c") this.compare(this.against ? null : this.before());
    else if (event.key === "Enter") this.viewer.canvas.focus();
    else return;
    event.preventDefault();
  }
}

function stateOf(frame) {
  if (frame.use) return frame.use;
  if (frame.used) return "used";
  return frame.phase === "totality" || frame.phase === "contact" ? "left" : "other";
}

function stateWords(frame) {
  const said = { keep: "kept by you", drop: "dropped by you" }[frame.use];
  const phase = frame.said_phase ? `${PHASES[frame.said_phase].toLowerCase()}, you say` : "";
  return [said, phase].filter(Boolean).join("; ") || (frame.used ? "merged" : stateOf(frame) === "left" ? "not merged" : frame.phase === "unreadable" ? "unreadable" : "");
}

function verdict(frame) {
  const pattern = frame.by_pattern ? " Set by an entry of the config that names several files." : "";
  if (frame.use === "drop") return `You drop it: it counts for neither clock nor merge.${pattern}`;
  if (frame.use === "keep" && !frame.used) return `You keep it. The last run did not merge it; the next one will, if its position can be found.${pattern}`;
  if (frame.used) return `Merged.${pattern}`;
  if (frame.phase === "totality") return `Not merged.${pattern}`;
  return pattern.trim();
}
