// Drag, pinch and tap, by mouse, pen or fingers: one place for what both views of pixels need.

const STILL_PX = 6; // a finger that moves less has tapped

/**
 * Listen on an element. `panned(dx, dy)` and `zoomed(by, [x, y])` are in CSS pixels, the place
 * relative to the element; `tapped(event)` ends a touch that did not move; `wanted(event)` tells
 * whether a press is meant.
 */
export function gestures(node, { panned, zoomed, tapped = () => {}, wanted = () => true }) {
  const at = new Map(); // pointers that are down: where
  let still = true;

  const first = () => [...at.values()].slice(0, 2);
  const middle = () => first().reduce((sum, [x, y], _, all) => [sum[0] + x / all.length, sum[1] + y / all.length], [0, 0]);
  const span = () => { const [a, b] = first(); return b ? Math.max(Math.hypot(a[0] - b[0], a[1] - b[1]), 1) : 0; };

  node.addEventListener("pointerdown", (event) => {
    if (!wanted(event) || (event.pointerType === "mouse" && event.button !== 0)) return;
    node.setPointerCapture(event.pointerId);
    still = at.size === 0;
    at.set(event.pointerId, [event.clientX, event.clientY]);
  });
  node.addEventListener("pointermove", (event) => {
    const from = at.get(event.pointerId);
    if (!from) return;
    if (still && Math.hypot(event.clientX - from[0], event.clientY - from[1]) < STILL_PX) return;
    still = false;
    const [x, y] = middle();
    const before = span();
    at.set(event.pointerId, [event.clientX, event.clientY]);
    const [u, v] = middle();
    panned(u - x, v - y);
    if (before) {
      const area = node.getBoundingClientRect();
      zoomed(span() / before, [u - area.left, v - area.top]);
    }
  });
  const ended = (event) => {
    const was = at.delete(event.pointerId);
    if (was && still && event.type === "pointerup" && event.pointerType !== "mouse") tapped(event);
  };
  node.addEventListener("pointerup", ended);
  node.addEventListener("pointercancel", ended);
  node.addEventListener("wheel", (event) => {
    event.preventDefault();
    const area = node.getBoundingClientRect();
    zoomed(1.0015 ** -event.deltaY, [event.clientX - area.left, event.clientY - area.top]);
  }, { passive: false });
}
