// The camera clocks: residuals to point at, frames to leave out, and clocks that were photographed.

import { get, post } from "./api.js";
import { button, clockTime, el, field, fill, select, svg } from "./dom.js";

const WIDTH = 900;
const HEIGHT = 260;
const LISTED = 60;
// A shape for each body, about (0, 0).
const SYMBOLS = [
  "M-4.5 0a4.5 4.5 0 1 0 9 0a4.5 4.5 0 1 0 -9 0Z",
  "M-4 -4H4V4H-4Z",
  "M0 -5.5L5.2 4H-5.2Z",
  "M0 -5.8L5.8 0L0 5.8L-5.8 0Z",
  "M0 5.5L5.2 -4H-5.2Z",
  "M-1.8 -5.5H1.8V-1.8H5.5V1.8H1.8V5.5H-1.8V1.8H-5.5V-1.8H-1.8Z",
];
const EDGE = { left: 56, right: 12, top: 12, bottom: 34 };

const sign = (n) => svg("svg", { viewBox: "-7 -7 14 14", "aria-hidden": "true" }, svg("path", { d: SYMBOLS[n], class: `dot body-${n}` }));

export async function clockView(app, main) {
  const page = new Clock(app, main);
  await page.load();
  return page;
}

class Clock {
  constructor(app, main) {
    Object.assign(this, { app, main });
    this.hidden = new Set(); // bodies
  }

  async load() {
    const [clock, frames] = await Promise.all([get("clock"), get("frames")]);
    this.clock = clock;
    this.revision = frames.revision;
    this.frames = frames.frames;
    this.draw();
  }

  made() { return this.load(); }

  configChanged(revision) { if (revision !== this.revision && !this.saying) this.load(); }

  async tell(path, body, again) {
    this.saying = true; // the change that the next poll finds is ours
    try {
      const told = await post(path, { revision: this.revision, ...body });
      this.revision = told.revision;
      this.app.saved(`Saved in ${this.app.state.config}`);
      this.app.pendingChanged();
      await this.load();
    } catch (error) {
      if (error.status !== 409) { this.app.notice(error.message, { kind: "warning", key: "clock" }); return; }
      await this.load();
      this.app.notice("The config was changed elsewhere meanwhile; your change is not in it yet.", {
        kind: "warning", key: "conflict", actions: [["Do it again", again]],
      });
    } finally {
      this.saying = false;
    }
  }

  leaveOut(frame) {
    const use = frame.use === "drop" ? "auto" : "drop";
    return this.tell("frames", { ids: [frame.id], use }, () => this.leaveOut(frame));
  }

  date(id, utc) {
    return this.tell("clock", { id, utc }, () => this.date(id, utc));
  }

  draw() {
    const measured = this.frames.filter((frame) => frame.residual_s !== null && frame.time);
    const known = this.clock.clocks;
    fill(this.main, el("div.column.wide", {},
      el("h1", {}, "Clock"),
      known.length ? null : el("p.message", {}, "No clock has been measured in this workspace yet. “Make it” does so, from the partial phases on the card."),
      known.map((clock) => el("section.card", {},
        el("h2", {}, clock.name),
        el("p", {}, `${clock.error}; ${clock.drift || "no drift known"}; set to ${clock.zone}. ${clock.frames_used ?? 0} frames, from ${clock.sources.join(", ") || "nothing"}${clock.rms_s === null ? "" : `; they scatter by ${clock.rms_s.toFixed(2)} s`}.`),
        clock.warnings.map((text) => el("p.message", {}, text)))),
      measured.length ? this.residuals(measured) : null,
      this.references(),
    ));
  }

  residuals(measured) {
    const bodies = [...new Set(measured.map((frame) => frame.camera))];
    const body = (frame) => bodies.indexOf(frame.camera) % SYMBOLS.length;
    const box = el("div", {});
    const draw = () => {
      const seen = measured.filter((frame) => !this.hidden.has(frame.camera));
      fill(box, seen.length ? this.chartAndList(seen, body, bodies.length > 1)
        : el("p.hint", {}, "No body is selected."));
    };
    const toggles = bodies.length < 2 ? null : el("fieldset.bodies", {}, el("legend.unseen", {}, "Bodies shown"),
      bodies.map((name, n) => el("label", {},
        el("input", { type: "checkbox", checked: !this.hidden.has(name), onchange: (event) => {
          if (event.target.checked) this.hidden.delete(name); else this.hidden.add(name);
          draw();
        } }),
        sign(n % SYMBOLS.length), name || "body not known")));
    draw();
    return el("section", {}, el("h2", {}, "Residuals"),
      el("p", {}, "Clock reading minus fitted clock for each crescent; positive is fast. A frame that you leave out counts for neither the clock nor the merge."),
      toggles, box);
  }

  chartAndList(measured, body, several) {
    const times = measured.map((frame) => Date.parse(`${frame.time}Z`));
    const [first, last] = [Math.min(...times), Math.max(...times)];
    const most = Math.max(0.1, ...measured.map((frame) => Math.abs(frame.residual_s))) * 1.1;
    const x = (t) => EDGE.left + (WIDTH - EDGE.left - EDGE.right) * (last > first ? (t - first) / (last - first) : 0.5);
    const y = (r) => EDGE.top + (HEIGHT - EDGE.top - EDGE.bottom) * (0.5 - r / most / 2);
    const told = el("p.readout", { role: "status" }, "Point at a mark, or choose a frame in the list.");
    const of = (frame) => (several ? `, ${frame.camera || "body not known"}` : "");
    const marks = new Map();
    let picked = null;
    const say = (frame) => {
      picked?.classList.remove("picked");
      picked = marks.get(frame.id);
      picked.classList.add("picked");
      told.textContent = `${frame.name}${of(frame)}, ${clockTime(frame.time)} UTC: ${frame.residual_s.toFixed(2)} s${frame.use === "drop" ? ", left out by you" : ""}`;
    };
    const rows = new Map();
    measured.forEach((frame, n) => marks.set(frame.id, svg("path", {
      d: SYMBOLS[body(frame)], transform: `translate(${x(times[n])} ${y(frame.residual_s)})`,
      class: `dot body-${body(frame)}${frame.use === "drop" ? " out" : ""}`,
      onpointerenter: () => say(frame),
      onclick: () => { const row = rows.get(frame.id); row?.scrollIntoView({ block: "center" }); row?.querySelector("button").focus({ preventScroll: true }); },
    })));
    const ticks = [-most / 1.1, 0, most / 1.1];
    const chart = svg("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, class: "chart", role: "img", "aria-label": "Residuals of the clock against time; the list below has the same numbers" },
      ticks.map((r) => [svg("line", { x1: EDGE.left, x2: WIDTH - EDGE.right, y1: y(r), y2: y(r), class: "rule" }),
        svg("text", { x: EDGE.left - 8, y: y(r) + 4, "text-anchor": "end" }, `${r.toFixed(1)} s`)]).flat(),
      [first, (first + last) / 2, last].map((t, n) => svg("text", { x: x(t), y: HEIGHT - 10, "text-anchor": ["start", "middle", "end"][n] }, new Date(t).toISOString().slice(11, 19))),
      [...marks.values()]);
    const sorted = [...measured].sort((a, b) => Math.abs(b.residual_s) - Math.abs(a.residual_s)).slice(0, LISTED);
    const heads = ["Frame", several ? "Body" : null, "UTC", "Residual"].filter(Boolean);
    const table = el("table", {},
      el("caption", {}, sorted.length < measured.length ? `The ${LISTED} largest residuals of ${measured.length}` : "Largest residuals first"),
      el("thead", {}, el("tr", {}, heads.map((text) => el(text === "Residual" ? "th.num" : "th", { scope: "col" }, text)), el("td", {}), el("td", {}))),
      el("tbody", {}, sorted.map((frame) => {
        const out = frame.use === "drop";
        const row = el("tr", { class: out ? "out" : null, onfocusin: () => say(frame) },
          el("th", { scope: "row" }, frame.name),
          several ? el("td", {}, sign(body(frame)), ` ${frame.camera}`) : null,
          el("td", {}, clockTime(frame.time)),
          el("td.num", {}, `${frame.residual_s.toFixed(2)} s`),
          el("td", {}, button(out ? "Take back in" : "Leave out", () => this.leaveOut(frame), { "aria-label": `${out ? "Take back in" : "Leave out"} ${frame.name}` })),
          el("td", {}, el("a", { href: "#frames", onclick: () => sessionStorage.setItem("frame", frame.id) }, "Show", el("span.unseen", {}, ` ${frame.name}`))));
        rows.set(frame.id, row);
        return row;
      })));
    return [chart, told, el("div.scroll", { tabindex: 0, role: "region", "aria-label": "Residuals as a list" }, table)];
  }

  references() {
    const frame = select(this.frames.map((f) => [f.id, `${f.name}, ${clockTime(f.time)}`]), this.frames[0]?.id ?? "", () => {});
    const utc = el("input", { type: "text", placeholder: "2026-08-12T17:31:05.2", size: 26 });
    const form = el("form.row.end", { onsubmit: (event) => {
      event.preventDefault();
      if (!/^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z?$/.test(utc.value.trim())) {
        utc.setAttribute("aria-invalid", "true");
        this.app.notice("Write the time as 2026-08-12T17:31:05.2, in UTC.", { kind: "warning", key: "utc" });
        utc.focus();
        return;
      }
      this.date(Number(frame.value), utc.value.trim());
    } }, field("Frame", frame), field("UTC that it shows", utc), el("button", { type: "submit" }, "Add"));
    const list = this.clock.references.map((reference) => {
      const found = this.frames.find((f) => f.file === reference.file || f.file.endsWith(`/${reference.file}`));
      return el("li", {}, `${reference.file}: ${reference.utc} `,
        found ? button("Remove", () => this.date(found.id, null), { class: "quiet", "aria-label": `Remove the time of ${reference.file}` }) : null);
    });
    return el("section", {}, el("h2", {}, "Photographed clocks"),
      el("p", {}, "If a frame shows a GPS clock or another exact one, type in what it reads: UTC at the start of the exposure."),
      this.frames.length ? form : el("p.hint", {}, "There are no frames yet."),
      list.length ? el("ul", {}, list) : null);
  }
}
