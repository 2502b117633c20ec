// A frame at any size: tiles of the decoded file on demand, drawn with the measured limbs.
//
// Two frames are drawn at the same solar coordinates: each frame's pixels are turned, scaled and
// shifted so that the Sun's centre and size and north fall together.

import { get } from "./api.js";
import { el } from "./dom.js";
import { gestures } from "./gestures.js";

const MOST_ZOOM = 16; // screen pixels to a pixel of the frame
const KEPT_TILES = 240;
const tiles = new Map(); // address to an image, shared by all viewers
const sizes = new Map(); // id and version to a promise of what the server says of a frame

export function describe(id, version) {
  const key = `${id} ${version}`;
  if (!sizes.has(key)) {
    const asked = get(`frame/${id}`);
    sizes.set(key, asked);
    asked.catch(() => sizes.delete(key));
  }
  return sizes.get(key);
}

function tileOf(address, ready) {
  let image = tiles.get(address);
  if (!image) {
    image = new Image();
    image.onload = ready;
    image.src = address;
    tiles.set(address, image);
    while (tiles.size > KEPT_TILES) tiles.delete(tiles.keys().next().value);
  }
  return image.complete && image.naturalWidth ? image : null;
}

/** The matrix [a, b, c, d] from offsets in a frame, Sun's radii, to east and north. */
function toSky(frame) {
  const up = (frame.up_deg ?? 0) * Math.PI / 180;
  const right = up + (frame.mirrored ? 1 : -1) * Math.PI / 2;
  const r = frame.sun_radius || 1;
  return [Math.sin(right) / r, -Math.sin(up) / r, Math.cos(right) / r, -Math.cos(up) / r];
}

function placed(frame, onto) {
  // East and north of `frame`, and from there to the pixels of `onto`.
  const known = frame.sun_x !== null && onto.sun_x !== null && frame.sun_radius && onto.sun_radius;
  if (frame === onto || !known) return [1, 0, 0, 1, 0, 0];
  const [a, b, c, d] = toSky(frame);
  const [e, f, g, h] = toSky(onto);
  const det = e * h - f * g;
  const m = [(h * a - f * c) / det, (h * b - f * d) / det, (e * c - g * a) / det, (e * d - g * b) / det];
  return [m[0], m[2], m[1], m[3],
    onto.sun_x - m[0] * frame.sun_x - m[1] * frame.sun_y,
    onto.sun_y - m[2] * frame.sun_x - m[3] * frame.sun_y];
}

export class Viewer {
  constructor() {
    this.canvas = el("canvas.viewer", {
      tabindex: 0, role: "img", "aria-label": "The frame. Plus and minus zoom, 0 fits, 9 shows single pixels.",
    });
    this.layers = [];
    this.limbs = true;
    this.stops = 0;
    this.share = 0.5; // where the divider between two frames stands
    this.blinkOn = false;
    this.mode = "divider";
    this.observer = new ResizeObserver(() => this.resize());
    this.observer.observe(this.canvas);
    this.listen();
  }

  leave() {
    this.observer.disconnect();
    clearInterval(this.blinking);
  }

  /** Show one frame, or two. The view stays where it is between frames of one size. */
  show(frames, version) {
    const before = this.layers[0];
    const fresh = frames.map((frame) => ({ frame, version, about: null, error: "", thumb: null }));
    const known = fresh[0]?.frame;
    const same = before && known && before.frame.width === known.width && before.frame.height === known.height;
    if (same && this.zoomed) this.follow(before.frame, known);
    this.layers = fresh;
    if (!same || !this.zoomed) this.fit();
    for (const layer of fresh) this.fill(layer);
    this.request();
  }

  /** Keep the Sun where it is on the screen when the frame changes. */
  follow(old, now) {
    if (old.sun_x === null || now.sun_x === null) return;
    this.x += (old.sun_x - now.sun_x) * this.scale;
    this.y += (old.sun_y - now.sun_y) * this.scale;
  }

  fill(layer) {
    if (layer.frame.thumb) {
      layer.thumb = new Image();
      layer.thumb.onload = () => this.request();
      layer.thumb.src = `thumb/${layer.frame.id}?v=${layer.version}`;
    }
    clearTimeout(this.later);
    // A frame that is only passed by is not decoded.
    this.later = setTimeout(() => {
      for (const wanted of this.layers) {
        if (wanted.about) continue;
        describe(wanted.frame.id, wanted.version)
          .then((about) => { wanted.about = about; this.told?.(); this.request(); })
          .catch((error) => { wanted.error = error.message; this.told?.(); });
      }
    }, 200);
  }

  get error() {
    return this.layers.map((layer) => layer.error).find(Boolean) ?? "";
  }

  size() {
    const first = this.layers[0];
    if (!first) return [1, 1];
    const { about, frame } = first;
    return [about?.width ?? frame.width ?? 3, about?.height ?? frame.height ?? 2];
  }

  resize() {
    const { clientWidth: w, clientHeight: h } = this.canvas;
    const ratio = window.devicePixelRatio || 1;
    this.canvas.width = Math.max(1, Math.round(w * ratio));
    this.canvas.height = Math.max(1, Math.round(h * ratio));
    if (!this.zoomed) this.fit();
    this.request();
  }

  fit() {
    const [w, h] = this.size();
    this.scale = Math.min(this.canvas.width / w, this.canvas.height / h);
    this.x = (this.canvas.width - w * this.scale) / 2;
    this.y = (this.canvas.height - h * this.scale) / 2;
    this.zoomed = false;
    this.request();
  }

  /** Zoom by a factor about a place of the screen, the Sun or the middle if not given. */
  zoom(by, at = null) {
    const { frame } = this.layers[0] ?? {};
    const least = Math.min(this.canvas.width / this.size()[0], this.canvas.height / this.size()[1]);
    const wanted = Math.min(Math.max(this.scale * by, least), MOST_ZOOM);
    const sun = frame && frame.sun_x !== null;
    const [px, py] = at ?? (sun && !this.zoomed
      ? [this.x + frame.sun_x * this.scale, this.y + frame.sun_y * this.scale]
      : [this.canvas.width / 2, this.canvas.height / 2]);
    this.x = px - (px - this.x) * wanted / this.scale;
    this.y = py - (py - this.y) * wanted / this.scale;
    this.scale = wanted;
    this.zoomed = wanted > least * 1.001;
    if (!this.zoomed) this.fit();
    this.request();
  }

  whole() { this.zoom((window.devicePixelRatio || 1) / this.scale); }

  listen() {
    const ratio = () => window.devicePixelRatio || 1;
    gestures(this.canvas, {
      panned: (dx, dy) => {
        if (!this.zoomed) return;
        this.x += dx * ratio();
        this.y += dy * ratio();
        this.request();
      },
      zoomed: (by, [x, y]) => this.zoom(by, [x * ratio(), y * ratio()]),
    });
    this.canvas.addEventListener("keydown", (event) => {
      if (event.key === "+" || event.key === "=") this.zoom(1.5);
      else if (event.key === "-") this.zoom(1 / 1.5);
      else if (event.key === "0") this.fit();
      else if (event.key === "9") this.whole();
      else return;
      event.preventDefault();
    });
  }

  blink(on) {
    clearInterval(this.blinking);
    this.mode = on ? "blink" : "divider";
    this.blinkOn = false;
    if (on) this.blinking = setInterval(() => { this.blinkOn = !this.blinkOn; this.request(); }, 600);
    this.request();
  }

  request() {
    if (this.asked) return;
    this.asked = true;
    requestAnimationFrame(() => { this.asked = false; this.draw(); });
  }

  draw() {
    const context = this.canvas.getContext("2d");
    const { width, height } = this.canvas;
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.clearRect(0, 0, width, height);
    this.canvas.dataset.view = [this.scale, this.x, this.y].map((n) => n.toPrecision(6)).join(" ");
    const [first, second] = this.layers;
    if (!first) return;
    if (!second) { this.layer(context, first); return; }
    if (this.mode === "blink") { this.layer(context, this.blinkOn ? second : first); return; }
    this.layer(context, first);
    const at = Math.round(width * this.share);
    context.save();
    context.beginPath();
    context.rect(at, 0, width - at, height);
    context.clip();
    context.clearRect(at, 0, width - at, height);
    this.layer(context, second);
    context.restore();
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.fillStyle = "#ffd45e";
    context.fillRect(at - 1, 0, 2, height);
  }

  layer(context, layer) {
    const [a, b, c, d, e, f] = placed(layer.frame, this.layers[0].frame);
    const s = this.scale;
    context.save();
    context.transform(s, 0, 0, s, this.x, this.y);
    context.transform(a, b, c, d, e, f);
    const [w, h] = [layer.about?.width ?? layer.frame.width, layer.about?.height ?? layer.frame.height];
    context.imageSmoothingEnabled = s * Math.hypot(a, b) < 2;
    if (layer.thumb?.complete && layer.thumb.naturalWidth && w) context.drawImage(layer.thumb, 0, 0, w, h);
    if (layer.about) this.drawTiles(context, layer, s * Math.hypot(a, b));
    if (this.limbs) this.drawLimbs(context, layer.frame, s * Math.hypot(a, b));
    context.restore();
  }

  drawTiles(context, layer, scale) {
    const { about, frame } = layer;
    const wanted = Math.min(Math.max(Math.floor(Math.log2(1 / scale) + 0.3), 0), about.levels - 1);
    const inverse = context.getTransform().inverse();
    const corners = [[0, 0], [this.canvas.width, 0], [0, this.canvas.height], [this.canvas.width, this.canvas.height]]
      .map(([x, y]) => inverse.transformPoint({ x, y }));
    const xs = corners.map((p) => p.x);
    const ys = corners.map((p) => p.y);
    // Coarser tiles below, so that there is something while the finer ones come.
    for (let level = Math.min(wanted + 2, about.levels - 1); level >= wanted; level -= 1) {
      const step = about.tile_px * 2 ** level;
      const columns = Math.ceil(about.width / step);
      const rows = Math.ceil(about.height / step);
      const from = [Math.max(Math.floor(Math.min(...xs) / step), 0), Math.max(Math.floor(Math.min(...ys) / step), 0)];
      const to = [Math.min(Math.floor(Math.max(...xs) / step), columns - 1), Math.min(Math.floor(Math.max(...ys) / step), rows - 1)];
      for (let row = from[1]; row <= to[1]; row += 1) {
        for (let column = from[0]; column <= to[0]; column += 1) {
          // A last tile of less than a pixel of its size is not there.
          if (Math.floor((about.width - column * step) / 2 ** level) < 1) continue;
          if (Math.floor((about.height - row * step) / 2 ** level) < 1) continue;
          const image = tileOf(`tile/${frame.id}/${level}/${column}/${row}?stops=${this.stops}&v=${layer.version}`, () => this.request());
          if (image) context.drawImage(image, column * step, row * step, image.naturalWidth * 2 ** level, image.naturalHeight * 2 ** level);
        }
      }
    }
  }

  drawLimbs(context, frame, scale) {
    // Full pixel x is centred on x + 0.5 of the canvas' coordinates.
    for (const [name, colour, dash] of [["sun", "#ffb000", []], ["moon", "#5cc8ff", [6, 4]]]) {
      const [x, y, r] = [frame[`${name}_x`], frame[`${name}_y`], frame[`${name}_radius`]];
      if (x === null || r === null) continue;
      context.beginPath();
      context.arc(x + 0.5, y + 0.5, r, 0, 2 * Math.PI);
      context.lineWidth = 1.5 / scale;
      context.setLineDash(dash.map((part) => part / scale));
      context.strokeStyle = colour;
      context.stroke();
    }
  }
}
