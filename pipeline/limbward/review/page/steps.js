// The chain of filters: which, in which order, and their parameters.

import { button, el, select } from "./dom.js";
import { control } from "./controls.js";

/**
 * Make the editor of a chain of filters.
 * `steps` is a list of {filter, ...parameters}; `changed(steps, moving)` is told of each change.
 */
export function stepsEditor(filters, steps, changed) {
  const byName = new Map(filters.map((filter) => [filter.name, filter]));
  const box = el("div.steps", {});
  let list = structuredClone(steps);

  const change = (moving = false) => changed(structuredClone(list), moving);

  function draw(focus) {
    box.replaceChildren(
      el("ol.chain", { "aria-label": "Filters, in order" }, list.map((step, n) => one(step, n))),
      el("div.row", {}, adder()),
    );
    if (focus) box.querySelector(focus)?.focus();
  }

  function adder() {
    const options = [["", "Add a filter …"], ...filters.map((filter) => [filter.name, filter.label])];
    return select(options, "", (name) => {
      if (!name) return;
      list.push({ filter: name });
      change();
      draw(`li:nth-child(${list.length}) select`);
    }, { "aria-label": "Add a filter to the chain" });
  }

  function move(n, by) {
    const [step] = list.splice(n, 1);
    list.splice(n + by, 0, step);
    change();
    draw(`li:nth-child(${n + by + 1}) select`);
  }

  function one(step, n) {
    const filter = byName.get(step.filter);
    const name = filter?.label ?? step.filter;
    const head = el("div.row.step-head", {},
      el("span.number", { "aria-hidden": "true" }, String(n + 1)),
      select(filters.map((f) => [f.name, f.label]), step.filter, (chosen) => {
        list[n] = { filter: chosen };
        change();
        draw(`li:nth-child(${n + 1}) select`);
      }, { "aria-label": `Filter ${n + 1}` }),
      button("↑", () => move(n, -1), { class: "quiet", disabled: n === 0, "aria-label": `Move ${name} up` }),
      button("↓", () => move(n, 1), { class: "quiet", disabled: n === list.length - 1, "aria-label": `Move ${name} down` }),
      button("×", () => { list.splice(n, 1); change(); draw(); }, {
        class: "quiet", disabled: list.length === 1, "aria-label": `Take ${name} out`,
        title: list.length === 1 ? "A chain has at least one filter" : "",
      }));
    const parts = (filter?.controls ?? []).map((spec) =>
      control(spec, step[spec.name], (value, moving) => {
        // What is the default need not stand in the config.
        if (value === spec.default && !(spec.name in step)) return;
        if (JSON.stringify(value) === JSON.stringify(spec.default)) delete list[n][spec.name];
        else list[n][spec.name] = value;
        change(moving);
      }));
    return el("li.step", {}, head, el("p.help", {}, filter?.help ?? ""), parts);
  }

  draw();
  return box;
}
