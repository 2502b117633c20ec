// The page as a whole: its views, what the server says of the run, notices, and the end.

import { get, post } from "./api.js";
import { button, el } from "./dom.js";
import { clockView } from "./clock.js";
import { exportsView } from "./exports.js";
import { framesView } from "./frames.js";
import { pictureView } from "./picture.js";

const VIEWS = {
  frames: ["Frames", framesView],
  clock: ["Clock", clockView],
  picture: ["Picture", pictureView],
  exports: ["Exports", exportsView],
};
const POLL_MS = 2000;
const POLL_BUSY_MS = 300;

export const app = {
  state: null,
  view: null,
  revision: "",
  notice,
  saved,
  pendingChanged: () => askPending(),
  go: (name) => { location.hash = name; },
};

const byId = (id) => document.getElementById(id);
let stopped = false;

/** Say something, until it is closed; `actions` are pairs of a text and what it does. */
export function notice(text, { kind = "note", actions = [], key = text, lasting = kind !== "note" } = {}) {
  for (const old of byId("notices").children) if (old.dataset.key === key) old.remove();
  const close = () => box.remove();
  const box = el(`div.notice.${kind}`, { "data-key": key }, el("p", {}, text));
  const row = el("div.row", {});
  for (const [label, work] of actions) row.append(button(label, () => { close(); work(); }));
  row.append(button("Close", close, { class: "quiet" }));
  box.append(row);
  byId("notices").append(box);
  if (!lasting) setTimeout(close, 8000);
  return close;
}

function saved(text) {
  byId("saved").textContent = text;
}

function navigation(current) {
  byId("nav").replaceChildren(
    ...Object.entries(VIEWS).map(([name, [label]]) =>
      el("a", { href: `#${name}`, "aria-current": name === current ? "page" : null }, label)),
  );
}

async function show() {
  const name = location.hash.slice(1) in VIEWS ? location.hash.slice(1) : "picture";
  navigation(name);
  app.view?.leave?.();
  app.view = null;
  // A place of its own: a view that comes late draws where nobody sees it any more.
  const before = byId("main");
  const main = el("main", { id: "main", tabindex: -1, class: `view-${name}`, "data-drawn": before.dataset.drawn });
  main.append(el("h1.unseen", {}, VIEWS[name][0]), el("p.empty", {}, "Loading …"));
  before.replaceWith(main);
  document.title = `${VIEWS[name][0]} · ${app.state.config} · limbward`;
  try {
    const made = await VIEWS[name][1](app, main);
    if (main.isConnected) app.view = made;
    else made?.leave?.();
  } catch (error) {
    main.replaceChildren(el("div.empty", {}, el("h1", {}, "This cannot be shown"), el("p", {}, error.message)));
  }
}

const makeButton = button("Make it", make, { id: "make" });
const pendingNote = el("span.pending", { id: "pending" });
const themeButton = button("", toggleTheme, { class: "quiet", id: "theme" });

function toggleTheme() {
  const dark = isDark();
  document.documentElement.dataset.theme = dark ? "light" : "dark";
  nameTheme();
}

function isDark() {
  const set = document.documentElement.dataset.theme;
  return set ? set === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
}

function nameTheme() {
  themeButton.textContent = isDark() ? "Light" : "Dark";
  themeButton.setAttribute("aria-label", `Switch to ${isDark() ? "light" : "dark"} colours`);
}

function tools() {
  byId("tools").replaceChildren(
    pendingNote,
    makeButton,
    themeButton,
    button("Stop", stop, { class: "quiet", "aria-label": "End the server and close this page" }),
  );
  makeButton.setAttribute("aria-describedby", "pending");
  nameTheme();
}

const WORDS = { timing: "the clock", align: "the registration", merge: "the merge", enhance: "the filters", compose: "the picture", report: "the report" };

async function askPending() {
  try {
    const { stages, trouble } = await get("pending");
    const told = stages[0] === "ingest" ? ["everything"] : stages.map((stage) => WORDS[stage] ?? stage);
    pendingNote.textContent = stages.length ? `Not made yet: ${told.join(", ")}` : "All made";
    pendingNote.title = [pendingNote.textContent, trouble].filter(Boolean).join("\n");
    makeButton.classList.toggle("primary", stages.length > 0);
  } catch (error) {
    pendingNote.textContent = "";
    if (error.status === 0) gone();
  }
}

async function make() {
  await app.view?.settle?.();
  try {
    app.state.making = await post("make");
    drawMaking();
    poll();
  } catch (error) {
    notice(error.message, { kind: "warning" });
  }
}

let shownRun = "idle";

function drawMaking() {
  const { making } = app.state;
  const box = byId("making");
  const busy = making.state === "running";
  makeButton.disabled = busy;
  box.hidden = !busy;
  if (busy) {
    const what = making.what === "export" ? "Exporting" : "Making the picture";
    const part = [making.stage, making.label].filter(Boolean).join(": ");
    let bar = box.querySelector("progress");
    if (!bar) {
      bar = el("progress", { "aria-label": what });
      box.replaceChildren(
        el("strong", {}), bar, el("span.part", { role: "status" }),
        button("Cancel", async () => { app.state.making = await post("cancel"); drawMaking(); }),
      );
    }
    box.querySelector("strong").textContent = what;
    box.querySelector(".part").textContent = making.total ? `${part}, ${making.done} of ${making.total}` : part;
    if (making.total) { bar.max = making.total; bar.value = making.done; } else bar.removeAttribute("value");
  }
  if (shownRun === "running" && !busy) ended(making);
  shownRun = making.state;
}

function ended(making) {
  const warnings = (making.said ?? []).filter((said) => said.kind === "warning").map((said) => said.text);
  if (making.state === "failed") notice(making.error, { kind: "warning" });
  if (making.state === "cancelled") notice("Cancelled. What was finished before is kept.");
  if (making.state === "done") {
    const what = making.what === "export" ? "The copies are written" : "The picture is made";
    notice(`${what}, in ${making.seconds} s.`, {
      actions: making.what === "run" && app.state.there.composite
        ? [["Open it", () => window.open("made/composite.png", "_blank", "noopener")]] : [],
    });
    for (const text of warnings) notice(text, { kind: "warning" });
  }
  askPending();
  app.view?.made?.();
}

let timer = 0;

async function poll() {
  clearTimeout(timer);
  if (stopped) return;
  try {
    const before = app.state;
    app.state = await get("state");
    drawMaking();
    if (app.state.trouble) {
      notice(`The config cannot be read as it is now:\n${app.state.trouble}`, { kind: "warning", key: "trouble" });
    } else {
      for (const old of byId("notices").children) if (old.dataset.key === "trouble") old.remove();
      if (before && before.revision !== app.state.revision) {
        app.view?.configChanged?.(app.state.revision);
        askPending();
      }
    }
    if (before && before.corona_version !== app.state.corona_version) app.view?.made?.();
  } catch (error) {
    if (error.status === 0) { gone(); return; }
  }
  timer = setTimeout(poll, app.state.making.state === "running" ? POLL_BUSY_MS : POLL_MS);
}

function gone() {
  if (stopped) return;
  notice("The server no longer answers. What you did is in the config file; start limbward review again to go on.", { kind: "warning", key: "gone" });
  makeButton.disabled = true;
}

async function stop() {
  await app.view?.settle?.();
  stopped = true;
  app.view?.leave?.();
  try { await post("stop"); } catch { /* it has ended already */ }
  byId("tools").replaceChildren();
  byId("nav").replaceChildren();
  byId("notices").replaceChildren();
  byId("main").replaceChildren(
    el("div.empty", {}, el("h1", {}, "The server has ended"),
      el("p", {}, "What you did is in the config file. You can close this tab.")));
}

async function start() {
  app.state = await get("state");
  byId("name").textContent = app.state.config;
  byId("name").title = `${app.state.folder} → ${app.state.workspace}`;
  tools();
  addEventListener("hashchange", show);
  if (!location.hash) history.replaceState(null, "", "#picture");
  await show();
  await app.view?.drawn; // to tell what is out of date takes seconds at first; the picture comes first
  askPending();
  poll();
}

start().catch((error) => {
  byId("main").replaceChildren(el("div.empty", {}, el("h1", {}, "This cannot be shown"), el("p", {}, error.message)));
});
