// One parameter on the page: a slider with its number, a choice, a switch, or numbers in a row.

import { button, el, select } from "./dom.js";

let count = 0;

const shown = (value) => (typeof value === "number" ? String(Number(value.toPrecision(4))) : value ?? "");

/** From a slider's 0 to 1 to the value, and back; by factors where the range spans decades. */
function scale(spec) {
  const plain = forwards(spec);
  // Of some parameters the smaller value does more: the slider goes the way that one sees.
  return spec.backwards ? { to: (t) => plain.to(1 - t), from: (v) => 1 - plain.from(v) } : plain;
}

function forwards(spec) {
  const { min, max } = spec;
  if (spec.by_factors) {
    const span = Math.log(max / min);
    return { to: (t) => min * Math.exp(t * span), from: (v) => Math.log(Math.max(v, min) / min) / span };
  }
  return { to: (t) => min + t * (max - min), from: (v) => (v - min) / (max - min) };
}

function rounded(spec, value) {
  if (spec.whole) return Math.round(value);
  if (spec.by_factors) return Number(value.toPrecision(3));
  return Number((Math.round(value / spec.step) * spec.step).toPrecision(6));
}

/**
 * Make a control. `value` undefined means the default. `changed(value, moving)` is called with
 * `moving` true while a slider is dragged.
 */
export function control(spec, value, changed) {
  const id = `c${(count += 1)}`;
  const label = el("label", { for: id }, spec.label);
  const row = el(`div.control.${spec.kind}`, {}, label);
  if (spec.help) {
    row.append(el("p.help", { id: `${id}-help` }, spec.help));
    label.title = spec.help;
  }
  const described = spec.help ? `${id}-help` : null;
  const now = value === undefined ? spec.default : value;
  if (spec.kind === "number") return number(spec, now, changed, row, id, described);
  if (spec.kind === "choice") {
    const options = spec.choices.map((choice) => [choice, String(choice).replaceAll("_", " ")]);
    row.append(select(options, now, (v) => changed(v, false), { id, "aria-describedby": described }));
  } else if (spec.kind === "switch") {
    row.append(el("input", {
      id, type: "checkbox", checked: now, "aria-describedby": described,
      onchange: (event) => changed(event.target.checked, false),
    }));
  } else if (spec.kind === "numbers") {
    row.append(el("input", {
      id, type: "text", inputmode: "decimal", value: (now ?? []).map(shown).join(", "),
      placeholder: spec.nullable ? "as usual" : "", "aria-describedby": described,
      onchange: (event) => {
        const parts = event.target.value.split(/[\s,;]+/).filter(Boolean).map(Number);
        const bad = parts.some((part) => !Number.isFinite(part));
        event.target.setAttribute("aria-invalid", bad);
        if (!bad) changed(parts.length ? parts : null, false);
      },
    }));
  } else {
    row.append(el("input", {
      id, type: "text", value: now ?? "", "aria-describedby": described,
      onchange: (event) => changed(event.target.value, false),
    }));
  }
  return row;
}

function number(spec, now, changed, row, id, described) {
  const at = scale(spec);
  const middle = spec.default ?? at.to(0.25);
  const slider = el("input", {
    // A key's step is one that shows in the number.
    id, type: "range", min: 0, max: 1, step: spec.by_factors ? 0.005 : spec.step / (spec.max - spec.min),
    value: at.from(now ?? middle), "aria-describedby": described,
  });
  const box = el("input", {
    type: "number", step: "any", value: shown(now), class: "number",
    "aria-label": `${spec.label}${spec.unit ? `, ${spec.unit}` : ""}, as a number`,
    placeholder: spec.nullable ? "auto" : "",
  });
  const tell = (value) => slider.setAttribute("aria-valuetext",
    value === null ? "as measured" : `${shown(value)}${spec.unit ? ` ${spec.unit}` : ""}`);
  tell(now ?? null);
  const put = (value, moving) => { box.value = shown(value); tell(value); changed(value, moving); };
  slider.addEventListener("input", () => put(rounded(spec, at.to(Number(slider.value))), true));
  slider.addEventListener("change", () => put(rounded(spec, at.to(Number(slider.value))), false));
  box.addEventListener("change", () => {
    if (box.value === "" && spec.nullable) { changed(null, false); tell(null); return; }
    const value = Number(box.value);
    if (box.value === "" || !Number.isFinite(value)) { box.setAttribute("aria-invalid", "true"); return; }
    box.removeAttribute("aria-invalid");
    slider.value = at.from(value);
    changed(spec.whole ? Math.round(value) : value, false);
  });
  const reset = button("↺", () => {
    slider.value = at.from(middle);
    box.value = shown(spec.default);
    tell(spec.default ?? null);
    changed(spec.default ?? null, false);
  }, { class: "quiet reset", "aria-label": `${spec.label}: back to ${spec.default === null ? "automatic" : shown(spec.default)}`, title: "Back to the default" });
  if (spec.unit) row.append(el("span.unit", { "aria-hidden": "true" }, ` ${spec.unit}`));
  row.append(el("div.slide", {}, slider, box, reset));
  return row;
}
