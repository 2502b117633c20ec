// How often each brightness is there, and how much is black or white.

import { el } from "./dom.js";

const COLOURS = ["#8a2c24", "#22602f", "#234378"]; // they add up to grey
const WIDTH = 256;
const HEIGHT = 72;

export function histogram() {
  const canvas = el("canvas.histogram", { width: WIDTH, height: HEIGHT, role: "img", "aria-label": "Histogram" });
  const told = el("p.clipped", {});
  const box = el("div.histogram-box", {}, canvas, told);
  return {
    box,
    draw(about) {
      const context = canvas.getContext("2d");
      context.clearRect(0, 0, WIDTH, HEIGHT);
      // Black sky would dwarf all the rest: the highest bin inside the ends sets the height.
      const most = Math.max(1, ...about.histogram.flatMap((bins) => bins.slice(1, -1)));
      context.globalCompositeOperation = "lighter";
      about.histogram.forEach((bins, c) => {
        context.beginPath();
        context.moveTo(0, HEIGHT);
        bins.forEach((n, k) => {
          const y = HEIGHT * (1 - Math.min(Math.sqrt(n / most), 1));
          context.lineTo(k * WIDTH / bins.length, y);
          context.lineTo((k + 1) * WIDTH / bins.length, y);
        });
        context.lineTo(WIDTH, HEIGHT);
        context.fillStyle = COLOURS[c];
        context.fill();
      });
      const percent = (parts) => (100 * Math.max(...parts)).toFixed(2);
      told.textContent = `Clipped: ${percent(about.white)} % white, ${percent(about.black)} % black`;
      told.classList.toggle("much", Math.max(...about.white) > 0.001);
    },
  };
}
