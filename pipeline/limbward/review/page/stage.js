// Where the picture is shown: one view or two with a divider, the crop's frame, the readout.

import { el } from "./dom.js";
import { gestures } from "./gestures.js";

const HANDLES = ["nw", "n", "ne", "e", "se", "s", "sw", "w"];
const KEEP_PX = 24; // of a crop's side
const MOST_ZOOM = 8; // times the size that fits

const digits = (value, count) => value.toLocaleString("en", { maximumSignificantDigits: count });

/** Draw a view as it is to be seen: the server sends it as the merge lies, not turned or cropped. */
export function drawFramed(canvas, { about, bitmap }) {
  if (canvas.width !== about.width || canvas.height !== about.height) {
    canvas.width = about.width;
    canvas.height = about.height;
  }
  const context = canvas.getContext("2d");
  context.setTransform(...about.transform);
  context.drawImage(bitmap, 0, 0);
  context.setTransform(1, 0, 0, 1, 0, 0);
  bitmap.close();
}

/** Make the stage. `asked(height, angle)` is called for the brightness under the pointer. */
export function makeStage({ asked, cropped }) {
  const canvas = el("canvas.shown", { role: "img", "aria-label": "The picture" });
  const other = el("canvas.shown.over", { role: "img", "aria-label": "The other view", hidden: true });
  const divider = el("input.divider", {
    type: "range", min: 0, max: 100, value: 50, hidden: true, "aria-label": "Divider between the two views",
    oninput: () => split(),
  });
  const line = el("div.line", { hidden: true, "aria-hidden": "true" });
  const frame = el("div.crop", { hidden: true });
  for (const name of HANDLES) frame.append(el(`span.handle.${name}`, { "data-at": name, "aria-hidden": "true" }));
  const tags = [el("span.tag.left", { hidden: true }), el("span.tag.right", { hidden: true })];
  const holder = el("div.holder", {}, canvas, other, line, frame, ...tags);
  const wait = el("p.waiting", { hidden: true, role: "status" }, "Computing …");
  const box = el("div.stage", {}, holder, wait);
  const readout = el("p.readout", {}, `${matchMedia("(pointer: coarse)").matches ? "Tap" : "Point at"} the picture to read height, angle and brightness.`);
  let about = null;
  let ratio = null;
  let region = null;

  const seen = { by: 1, x: 0, y: 0 }; // how much larger than it fits, and the middle's shift, CSS pixels

  function fit() {
    if (!about) return;
    const room = box.getBoundingClientRect();
    const least = Math.min(room.width / canvas.width, room.height / canvas.height, about.draft ? 3.2 : 1.6);
    const [width, height] = [Math.floor(canvas.width * least * seen.by), Math.floor(canvas.height * least * seen.by)];
    const reach = [Math.max(width - room.width, 0) / 2, Math.max(height - room.height, 0) / 2];
    seen.x = Math.min(Math.max(seen.x, -reach[0]), reach[0]);
    seen.y = Math.min(Math.max(seen.y, -reach[1]), reach[1]);
    holder.style.width = `${width}px`;
    holder.style.height = `${height}px`;
    holder.style.left = `${Math.round((room.width - width) / 2 + seen.x)}px`;
    holder.style.top = `${Math.round((room.height - height) / 2 + seen.y)}px`;
    box.classList.toggle("zoomed", seen.by > 1);
  }

  /** Zoom by a factor about a place of the box, its middle if not given. */
  function zoom(by, place = null) {
    const room = box.getBoundingClientRect();
    const [px, py] = place ? [place[0] - room.width / 2, place[1] - room.height / 2] : [0, 0];
    const now = Math.min(Math.max(seen.by * by, 1), MOST_ZOOM);
    seen.x = px - (px - seen.x) * now / seen.by;
    seen.y = py - (py - seen.y) * now / seen.by;
    seen.by = now;
    fit();
  }

  gestures(box, {
    panned: (dx, dy) => { seen.x += dx; seen.y += dy; fit(); },
    zoomed: zoom,
    tapped: (event) => tell(event),
    wanted: (event) => !event.target.closest(".crop"),
  });
  const observer = new ResizeObserver(fit);
  observer.observe(box);

  function split() {
    other.style.clipPath = `inset(0 0 0 ${divider.value}%)`;
    line.style.left = `${divider.value}%`;
  }

  function draw(first, second) {
    if (first) {
      about = first.about;
      drawFramed(canvas, first);
      fit();
    }
    if (second) drawFramed(other, second);
  }

  function double(on, names = ["", ""]) {
    other.hidden = divider.hidden = line.hidden = !on;
    tags.forEach((tag, n) => { tag.hidden = !on; tag.textContent = names[n]; });
    if (on) split();
  }

  /** Height in solar radii and position angle of a point of the picture. */
  function place(event) {
    const area = canvas.getBoundingClientRect();
    // Drafts have half the pixels; what is told of the Sun is in the pixels that are shown.
    const x = (event.clientX - area.left) / area.width * about.width - 0.5;
    const y = (event.clientY - area.top) / area.height * about.height - 0.5;
    const dx = x - about.sun_x;
    const dy = y - about.sun_y;
    const height = Math.hypot(dx, dy) / about.sun_radius;
    // Position angles run anticlockwise in a picture with the parity of the sky.
    const angle = ((about.up_deg + Math.atan2(-dx, -dy) * 180 / Math.PI) % 360 + 360) % 360;
    return { height, angle };
  }

  let askedAt = 0;
  holder.addEventListener("pointermove", (event) => { if (!event.buttons) tell(event); });

  function tell(event) {
    if (!about) return;
    const { height, angle } = place(event);
    const now = `${height.toFixed(3)} R☉, position angle ${angle.toFixed(1)}°${about.north_known ? "" : " (north is not known)"}`;
    readout.textContent = now;
    const mine = (askedAt += 1);
    asked(height, angle).then(({ value, sigma }) => {
      if (mine !== askedAt) return;
      const told = value === null ? "no value" : `${digits(value, 4)}${sigma === null ? "" : ` ± ${digits(sigma, 2)}`} ADU/s in green`;
      readout.textContent = `${now}, ${told}`;
    }).catch(() => {});
  }

  // The crop: a rectangle of four distances from the Sun's centre, solar radii.
  function drawCrop() {
    if (!region || !about) return;
    const { width, height, sun_x: x, sun_y: y, sun_radius: r } = about;
    frame.style.left = `${(x + 0.5 - region.left * r) / width * 100}%`;
    frame.style.top = `${(y + 0.5 - region.top * r) / height * 100}%`;
    frame.style.width = `${(region.left + region.right) * r / width * 100}%`;
    frame.style.height = `${(region.top + region.bottom) * r / height * 100}%`;
  }

  /** The region, kept in the picture; a ratio keeps the side opposite to the one that moves. */
  function bounded(wanted, moved) {
    const whole = about.whole;
    const least = KEEP_PX / about.sun_radius;
    const out = {
      left: Math.min(wanted.left, whole.left), right: Math.min(wanted.right, whole.right),
      top: Math.min(wanted.top, whole.top), bottom: Math.min(wanted.bottom, whole.bottom),
    };
    if (out.left + out.right < least || out.top + out.bottom < least) return region ?? { ...whole };
    if (ratio) {
      let width = out.left + out.right;
      let height = out.top + out.bottom;
      if (moved === "n" || moved === "s") width = height * ratio;
      else height = width / ratio;
      const shrink = Math.min(1, (whole.left + whole.right) / width, (whole.top + whole.bottom) / height);
      width *= shrink;
      height *= shrink;
      const east = moved.includes("w") ? out.right : moved.includes("e") ? width - out.left : (out.right - out.left + width) / 2;
      const south = moved.includes("n") ? out.bottom : moved.includes("s") ? height - out.top : (out.bottom - out.top + height) / 2;
      out.right = Math.min(Math.max(east, width - whole.left), whole.right);
      out.left = width - out.right;
      out.bottom = Math.min(Math.max(south, height - whole.top), whole.bottom);
      out.top = height - out.bottom;
    }
    return out;
  }

  frame.addEventListener("pointerdown", (down) => {
    down.preventDefault();
    frame.setPointerCapture(down.pointerId);
    const at = down.target.dataset.at ?? "";
    const from = { ...region };
    const area = canvas.getBoundingClientRect();
    const px = area.width / about.width * about.sun_radius;
    const move = (event) => {
      const dx = (event.clientX - down.clientX) / px;
      const dy = (event.clientY - down.clientY) / px;
      const wanted = { ...from };
      if (!at) {
        const whole = about.whole;
        const mx = Math.min(Math.max(dx, from.left - whole.left), whole.right - from.right);
        const my = Math.min(Math.max(dy, from.top - whole.top), whole.bottom - from.bottom);
        region = { left: from.left - mx, right: from.right + mx, top: from.top - my, bottom: from.bottom + my };
      } else {
        if (at.includes("w")) wanted.left = from.left - dx;
        if (at.includes("e")) wanted.right = from.right + dx;
        if (at.includes("n")) wanted.top = from.top - dy;
        if (at.includes("s")) wanted.bottom = from.bottom + dy;
        region = bounded(wanted, at);
      }
      drawCrop();
      cropped(region, true);
    };
    const up = () => {
      frame.removeEventListener("pointermove", move);
      cropped(region, false);
    };
    frame.addEventListener("pointermove", move);
    frame.addEventListener("pointerup", up, { once: true });
    frame.addEventListener("pointercancel", up, { once: true });
  });

  return {
    box, readout, divider, draw, double, zoom,
    waiting: (on) => { wait.hidden = !on; },
    about: () => about,
    /** Show the crop's frame, or hide it with null; `shape` is width over height, or null. */
    crop(wanted, shape = null, moved = "") {
      ratio = shape;
      frame.hidden = wanted === null;
      region = wanted;
      if (wanted && about) {
        region = bounded(wanted, moved);
        drawCrop();
      }
      return region;
    },
    leave: () => observer.disconnect(),
  };
}
