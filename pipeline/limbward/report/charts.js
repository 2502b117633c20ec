// Draws the charts with uPlot. Pointer and arrow keys tell what a point is; dragging zooms.
(() => {
  "use strict";
  const root = document.documentElement;
  const ink = (name) => getComputedStyle(root).getPropertyValue(`--${name}`).trim();
  const FONT = '12px system-ui, -apple-system, "Segoe UI", "Liberation Sans", sans-serif';
  const NEAR_PX = 28; // from the pointer to a mark
  // Full stops as cameras have them.
  const STOPS = [...[8000, 4000, 2000, 1000, 500, 250, 125, 60, 30, 15, 8, 4, 2].map((n) => 1 / n),
    1, 2, 4, 8, 15, 30, 60, 120, 240, 480];

  const polygon = (path, x, y, points) => {
    points.forEach(([a, b], i) => (i ? path.lineTo(x + a, y + b) : path.moveTo(x + a, y + b)));
    path.closePath();
  };
  // The shapes have matplotlib's letters, so that they are those of the static plots.
  const SHAPES = {
    o: (p, x, y, r) => { p.moveTo(x + r, y); p.arc(x, y, r, 0, 2 * Math.PI); },
    s: (p, x, y, r) => p.rect(x - 0.9 * r, y - 0.9 * r, 1.8 * r, 1.8 * r),
    D: (p, x, y, r) => polygon(p, x, y, [[0, -1.2 * r], [1.2 * r, 0], [0, 1.2 * r], [-1.2 * r, 0]]),
    v: (p, x, y, r) => polygon(p, x, y, [[-r, -r], [r, -r], [0, r]]),
    "^": (p, x, y, r) => polygon(p, x, y, [[-r, r], [r, r], [0, -r]]),
    "<": (p, x, y, r) => polygon(p, x, y, [[r, -r], [r, r], [-r, 0]]),
    P: (p, x, y, r) => { p.rect(x - r, y - r / 3, 2 * r, r / 1.5); p.rect(x - r / 3, y - r, r / 1.5, 2 * r); },
    X: (p, x, y, r) => {
      const w = r / 2.5;
      polygon(p, x, y, [[-r, -r + w], [-r + w, -r], [0, -w], [r - w, -r], [r, -r + w], [w, 0],
        [r, r - w], [r - w, r], [0, w], [-r + w, r], [-r, r - w], [-w, 0]]);
    },
  };
  const DASHES = { dashes: [6, 4], dots: [2, 3] };
  const hollow = (series) => series.mark.startsWith("H");
  const shape = (series) => SHAPES[series.mark.replace("H", "")];

  const exposure = (v) => (v < 0.29 || v === 0.5 ? `1/${Math.round(1 / v)} s` : `${+v.toPrecision(2)} s`);
  const number = (v) => (Math.abs(v) >= 1e5 || (v && Math.abs(v) < 1e-3) ? v.toExponential(0) : `${+v.toPrecision(6)}`.replace("-", "\u2212"));

  const labels = (axis) => (u, splits, _, __, step) => splits.map((v) => {
    if (v == null) return "";
    if (axis.kind === "exposure") return exposure(v);
    if (axis.kind === "names") return axis.names[v] ?? "";
    if (axis.kind === "angle") return `${number(((v % 360) + 360) % 360)}\u00b0`;
    if (axis.kind !== "time") return number(v);
    const clock = new Date(1000 * (axis.begin + v)).toISOString().slice(11);
    return step >= 60 ? clock.slice(0, 5) : step >= 1 ? clock.slice(0, 8) : clock.slice(0, 10);
  });

  // Where an axis has ticks; null leaves it to uPlot.
  const ticks = (axis, vertical) => {
    if (axis.kind === "names") return () => axis.names.map((_, i) => i);
    if (axis.kind === "time") {
      const steps = [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200];
      return (u, _, low, high) => {
        const span = (high - low) / (u.bbox.width / devicePixelRatio); // of a pixel
        const least = span * (60 * span < 60 ? 90 : 60); // with seconds a label is longer
        const step = steps.find((s) => s >= least) ?? 7200;
        const first = Math.ceil((axis.begin + low) / step) * step - axis.begin;
        const found = [];
        for (let v = first; v <= high; v += step) found.push(v);
        return found;
      };
    }
    if (axis.kind === "linear" || axis.kind === "angle") return null;
    return (u, _, low, high) => {
      const room = vertical ? u.bbox.height / devicePixelRatio / 30 : u.bbox.width / devicePixelRatio / 80;
      let all = STOPS;
      if (axis.kind === "log") {
        all = [];
        for (let e = Math.floor(Math.log10(low)); e <= Math.log10(high); e += 1) {
          for (const m of [1, 2, 5]) all.push(+(m * 10 ** e).toPrecision(3));
        }
      }
      all = all.filter((v) => v >= low && v <= high);
      if (axis.kind === "log" && all.length > room) all = all.filter((v) => Number.isInteger(+Math.log10(v).toFixed(9)));
      const skip = Math.max(1, Math.ceil(all.length / room));
      return all.filter((_, i) => i % skip === 0);
    };
  };

  const build = (host, spec) => {
    const marked = spec.frames.length > 0;
    const data = [spec.at, ...spec.series.map((s) => s.y)];
    let whole = true;
    let here = -1; // the point that the pointer or the keys are at

    // Zooming is along x alone, but where both sides have one unit.
    const range = (axis) => (u, low, high) => (
      whole || (axis === spec.y && !spec.equal) ? seen(u, axis) : [low, high]);
    // With equal units the side that has room to spare shows more than it must.
    const seen = (u, axis) => {
      let { low, high } = axis;
      if (spec.equal && u && u.bbox.width) {
        const unit = Math.max((spec.x.high - spec.x.low) / u.bbox.width, (spec.y.high - spec.y.low) / u.bbox.height);
        const half = (unit * (axis === spec.x ? u.bbox.width : u.bbox.height)) / 2;
        [low, high] = [(low + high) / 2 - half, (low + high) / 2 + half];
      }
      return [low, high];
    };
    const scale = (axis) => ({
      time: false, range: range(axis), dir: axis.down ? -1 : 1,
      distr: axis.kind === "log" || axis.kind === "exposure" ? 3 : 1,
      log: axis.kind === "exposure" ? 2 : 10,
    });
    const side = (axis, vertical) => ({
      scale: vertical ? "y" : "x", label: axis.label || undefined, labelSize: 20, labelFont: FONT,
      labelGap: 2, font: FONT, stroke: () => ink("soft"), values: labels(axis),
      grid: { stroke: () => ink("line"), width: 0.6, show: axis.kind !== "names" && (vertical || !spec.rules.length) },
      ticks: { stroke: () => ink("line"), width: 0.6, size: 5 },
      ...(ticks(axis, vertical) && { splits: ticks(axis, vertical), filter: (u, splits) => splits }),
      size: vertical ? spec.gutter : 34,
      space: vertical ? 30 : 70,
    });

    const line = (s) => {
      const made = { label: s.name, stroke: () => ink(s.colour), width: 1.8, points: { show: false }, spanGaps: false };
      if (s.draw in DASHES) return { ...made, dash: DASHES[s.draw], width: 1.3 };
      if (s.draw === "edge") return { ...made, stroke: "transparent" };
      if (s.draw === "bar") return { ...made, width: 11, paths: uPlot.paths.linear() };
      if (s.draw === "steps") return { ...made, paths: uPlot.paths.stepped({ align: 0 }) };
      return made;
    };
    const marks = (s) => ({
      label: s.name, paths: () => null, stroke: () => ink(s.colour),
      points: {
        show: true, size: 9, width: hollow(s) ? 1.5 : 0, stroke: () => ink(s.colour),
        fill: () => (hollow(s) ? ink("paper") : ink(s.colour)),
        paths: (u, k, first, last) => {
          const path = new Path2D();
          const clip = new Path2D();
          clip.rect(u.bbox.left - 6, u.bbox.top - 6, u.bbox.width + 12, u.bbox.height + 12);
          for (let i = first; i <= last; i += 1) {
            const v = data[k][i];
            if (v != null) shape(s)(path, u.valToPos(data[0][i], "x", true), u.valToPos(v, "y", true), 4.2 * devicePixelRatio);
          }
          return { fill: path, stroke: hollow(s) ? path : null, clip, flags: 3 };
        },
      },
    });
    const bands = [];
    spec.series.forEach((s, i) => {
      if (s.draw === "edge" && spec.series[i + 1]?.draw === "edge") {
        bands.push({ series: [i + 1, i + 2], fill: () => `${ink(s.colour)}40` });
      }
    });

    const ground = (u) => {
      const { ctx, bbox } = u;
      const ratio = devicePixelRatio;
      ctx.save();
      ctx.beginPath();
      ctx.rect(bbox.left, 0, bbox.width, bbox.top + bbox.height);
      ctx.clip();
      ctx.fillStyle = ink("panel");
      for (const [a, b] of spec.shades) {
        const x = u.valToPos(a, "x", true);
        ctx.fillRect(x, bbox.top, u.valToPos(b, "x", true) - x, bbox.height);
      }
      ctx.lineWidth = ratio;
      for (const { points, colour, fill } of spec.outlines) {
        const path = new Path2D();
        points.forEach(([a, b], i) => path[i ? "lineTo" : "moveTo"](u.valToPos(a, "x", true), u.valToPos(b, "y", true)));
        ctx.fillStyle = ink(fill || "panel");
        if (fill) ctx.fill(path);
        ctx.strokeStyle = ink(colour);
        ctx.stroke(path);
      }
      ctx.strokeStyle = ink("soft");
      ctx.fillStyle = ink("ink");
      ctx.font = FONT.replace("12px", `${12 * ratio}px`);
      ctx.textBaseline = "bottom";
      const at = Object.fromEntries(spec.rules.map(([v, name]) => [name, u.valToPos(v, "x", true)]));
      const crowded = at.C3 - at.C2 < 70 * ratio;
      for (const [name, x] of Object.entries(at)) {
        if (name === "greatest" && crowded) continue;
        ctx.beginPath();
        ctx.moveTo(x, bbox.top);
        ctx.lineTo(x, bbox.top + bbox.height);
        ctx.stroke();
        ctx.textAlign = crowded && name === "C2" ? "right" : crowded && name === "C3" ? "left" : "center";
        ctx.fillText(name, x, bbox.top - 3 * ratio);
      }
      if (spec.y.kind === "linear" && spec.y.low < 0 && spec.y.high > 0 && marked && !spec.equal) {
        const y = u.valToPos(0, "y", true);
        ctx.beginPath();
        ctx.moveTo(bbox.left, y);
        ctx.lineTo(bbox.left + bbox.width, y);
        ctx.stroke();
      }
      ctx.restore();
    };

    const tip = document.createElement("div");
    const ring = document.createElement("div");
    const said = document.createElement("p");
    tip.className = "tip";
    ring.className = "ring";
    said.className = "said";
    said.setAttribute("role", "status");
    tip.setAttribute("aria-hidden", "true");
    tip.hidden = ring.hidden = true;

    const u = new uPlot({
      width: Math.max(240, host.clientWidth), height: spec.height,
      padding: [spec.rules.length ? 20 : 10, 14, 0, 0], legend: { show: false },
      cursor: { x: !marked, y: false, points: { show: false }, drag: { x: true, y: spec.equal, uni: spec.equal ? 30 : undefined, dist: 5 } },
      scales: { x: scale(spec.x), y: scale(spec.y) },
      axes: [side(spec.x, false), side(spec.y, true)],
      series: [{}, ...spec.series.map((s) => (s.draw === "marks" ? marks(s) : line(s)))],
      bands,
      hooks: {
        drawClear: [ground],
        setSelect: [(c) => { if (c.select.width > 0) whole = false; }],
      },
    }, data, host);
    u.over.append(tip, ring);
    host.append(said);

    const height = (i) => {
      const k = spec.series.findIndex((s) => s.y[i] != null && s.draw !== "edge");
      return k < 0 ? null : spec.series[k].y[i];
    };
    const place = (i) => [u.valToPos(spec.at[i], "x"), u.valToPos(height(i), "y")];
    const inside = (i) => {
      if (marked && height(i) == null) return false;
      const { min, max } = u.scales.x;
      return spec.at[i] >= min && spec.at[i] <= max;
    };
    const show = (i, aloud) => {
      here = i;
      tip.hidden = ring.hidden = i < 0;
      if (i < 0) return;
      tip.textContent = spec.texts[i];
      if (aloud) said.textContent = spec.texts[i];
      const { clientWidth: width, clientHeight: tall } = u.over;
      const [x, y] = height(i) == null ? [u.valToPos(spec.at[i], "x"), tall / 2] : place(i);
      ring.hidden = spec.y.kind === "names" || height(i) == null;
      ring.style.left = `${x}px`;
      ring.style.top = `${y}px`;
      const left = Math.min(Math.max(0, x + 14), Math.max(0, width - tip.offsetWidth));
      const above = y > tip.offsetHeight + 14 || y > tall / 2;
      tip.style.left = `${left}px`;
      tip.style.top = `${above ? y - tip.offsetHeight - 12 : y + 14}px`;
    };
    const nearest = (left, top) => {
      let best = -1;
      let least = marked ? NEAR_PX : Infinity;
      for (let i = 0; i < spec.at.length; i += 1) {
        if (!inside(i)) continue;
        const [x, y] = marked ? place(i) : [u.valToPos(spec.at[i], "x"), top];
        const distance = Math.hypot(x - left, y - top);
        if (distance < least) [best, least] = [i, distance];
      }
      return best;
    };
    const lead = () => {
      if (marked && here >= 0) location.hash = `#frame-${spec.frames[here]}`;
    };
    const zoom = (low, high) => {
      whole = false;
      u.setScale("x", { min: low, max: high });
      if (here >= 0) show(inside(here) ? here : -1);
    };
    const reset = () => {
      whole = true;
      u.batch(() => {
        const [[a, b], [c, d]] = [seen(u, spec.x), seen(u, spec.y)];
        u.setScale("x", { min: a, max: b });
        u.setScale("y", { min: c, max: d });
      });
      show(-1);
    };

    u.over.addEventListener("mousemove", (event) => {
      const box = u.over.getBoundingClientRect();
      show(nearest(event.clientX - box.left, event.clientY - box.top));
    });
    u.over.addEventListener("mouseleave", () => show(-1));
    let pressed = [0, 0];
    u.over.addEventListener("mousedown", (event) => { pressed = [event.clientX, event.clientY]; });
    u.over.addEventListener("click", (event) => {
      if (Math.hypot(event.clientX - pressed[0], event.clientY - pressed[1]) < 5) lead();
    });
    u.over.addEventListener("dblclick", reset);
    host.addEventListener("keydown", (event) => {
      const order = spec.at.map((_, i) => i).filter(inside);
      const now = order.indexOf(here);
      const { min, max } = u.scales.x;
      const middle = now < 0 ? (min + max) / 2 : spec.at[here];
      const keys = {
        ArrowRight: () => show(order[Math.min(order.length - 1, now + 1)] ?? -1, true),
        ArrowLeft: () => show(order[now < 0 ? order.length - 1 : Math.max(0, now - 1)] ?? -1, true),
        Home: () => show(order[0] ?? -1, true),
        End: () => show(order[order.length - 1] ?? -1, true),
        "+": () => zoom(middle - (middle - min) / 2, middle + (max - middle) / 2),
        "-": () => zoom(Math.max(seen(u, spec.x)[0], middle - 2 * (middle - min)), Math.min(seen(u, spec.x)[1], middle + 2 * (max - middle))),
        Escape: reset,
        Enter: lead,
      };
      if (event.ctrlKey || event.altKey || event.metaKey || !keys[event.key]) return;
      event.preventDefault();
      keys[event.key]();
    });
    host.addEventListener("blur", () => show(-1));
    return u;
  };

  const key = (spec) => {
    const list = document.createElement("ul");
    list.className = "keys";
    const named = spec.series.filter((s) => s.name);
    for (const s of named) {
      const item = document.createElement("li");
      const canvas = document.createElement("canvas");
      canvas.width = 44;
      canvas.height = 28;
      canvas.setAttribute("aria-hidden", "true");
      item.append(canvas, s.name);
      list.append(item);
    }
    const paint = () => named.forEach((s, i) => {
      const ctx = list.children[i].firstChild.getContext("2d");
      ctx.clearRect(0, 0, 44, 28);
      ctx.lineWidth = 3.5;
      ctx.strokeStyle = ctx.fillStyle = ink(s.colour);
      if (s.draw === "marks") {
        const path = new Path2D();
        shape(s)(path, 22, 14, 9);
        if (hollow(s)) ctx.stroke(path);
        else ctx.fill(path);
      } else if (s.draw === "edge") {
        ctx.globalAlpha = 0.25;
        ctx.fillRect(0, 4, 44, 20);
        ctx.globalAlpha = 1;
      } else {
        ctx.setLineDash((DASHES[s.draw] ?? []).map((v) => 1.5 * v));
        ctx.beginPath();
        ctx.moveTo(0, 14);
        ctx.lineTo(44, 14);
        ctx.stroke();
      }
    });
    paint();
    return named.length ? { list, paint } : null;
  };

  const repaint = [];
  root.classList.add("charted");
  for (const live of document.querySelectorAll(".live")) live.hidden = false;
  for (const host of document.querySelectorAll(".chart")) {
    const spec = JSON.parse(host.dataset.chart);
    host.tabIndex = 0;
    host.setAttribute("role", "group");
    host.setAttribute("aria-roledescription", "chart");
    host.setAttribute("aria-label", `${spec.title} Arrow keys go from point to point.`);
    const legend = key(spec);
    if (legend) {
      host.before(legend.list);
      legend.list.classList.add("live");
      repaint.push(legend.paint);
    }
    const u = build(host, spec);
    repaint.push(() => u.redraw(false, true));
    new ResizeObserver(() => {
      const width = Math.max(240, host.clientWidth);
      if (width !== u.width) u.setSize({ width, height: spec.height });
    }).observe(host);
    host.closest("figure").classList.add("alive");
  }
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => repaint.forEach((f) => f()));
})();
