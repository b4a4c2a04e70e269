// Pan, zoom, fit and pick for every svg[data-map]: mouse, touch, pen and keys.
// The view is the viewBox; nothing else of the drawing is changed.

const MOST = 40;
const STEP = 1.3;
const maps = new WeakMap();

function box(svg) {
  const told = svg.viewBox.baseVal;
  return { x: told.x, y: told.y, w: told.width, h: told.height };
}

function place(svg, at, told) {
  const home = told.home;
  at.w = Math.min(Math.max(at.w, home.w / MOST), home.w);
  at.h = at.w * home.h / home.w;
  at.x = Math.min(Math.max(at.x, home.x), home.x + home.w - at.w);
  at.y = Math.min(Math.max(at.y, home.y), home.y + home.h - at.h);
  svg.setAttribute("viewBox", `${at.x} ${at.y} ${at.w} ${at.h}`);
  const factor = home.w / at.w;
  svg.dataset.zoom = factor.toFixed(2);
  svg.dispatchEvent(new CustomEvent("map-view", { detail: { factor }, bubbles: true }));
}

/** A pointer's place in the drawing's own units. */
export function drawn(svg, event) {
  const matrix = svg.getScreenCTM();
  if (!matrix) return { x: 0, y: 0 };
  const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(matrix.inverse());
  return { x: at.x, y: at.y };
}

export function zoom(svg, factor, about = null) {
  const told = maps.get(svg);
  if (!told) return;
  const now = box(svg);
  const at = about || { x: now.x + now.w / 2, y: now.y + now.h / 2 };
  const w = Math.min(Math.max(now.w / factor, told.home.w / MOST), told.home.w);
  const part = w / now.w;
  place(svg, { x: at.x - (at.x - now.x) * part, y: at.y - (at.y - now.y) * part, w, h: 0 }, told);
}

export function fit(svg) {
  const told = maps.get(svg);
  if (told) place(svg, { ...told.home }, told);
}

export function pan(svg, across, down) {
  const told = maps.get(svg);
  if (!told) return;
  const now = box(svg);
  place(svg, { ...now, x: now.x + across * now.w, y: now.y + down * now.h }, told);
}

function pick(svg, shape, event) {
  shape.dispatchEvent(new CustomEvent("map-pick", {
    bubbles: true, detail: { shape, zone: shape.dataset.zone, event },
  }));
}

function pointers(svg) {
  const down = new Map();
  let from = null;
  let moved = false;
  let spread = 0;
  const middle = () => {
    const all = [...down.values()];
    return { clientX: all.reduce((sum, one) => sum + one.clientX, 0) / all.length,
      clientY: all.reduce((sum, one) => sum + one.clientY, 0) / all.length };
  };
  const apart = () => {
    const [a, b] = [...down.values()];
    return Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY);
  };
  svg.addEventListener("pointerdown", (event) => {
    if (event.button !== 0 || svg.dataset.busy === "yes") return;
    down.set(event.pointerId, event);
    moved = moved && down.size > 1;
    from = middle();
    if (down.size === 2) spread = apart();
  });
  svg.addEventListener("pointermove", (event) => {
    if (!down.has(event.pointerId) || svg.dataset.busy === "yes") return;
    down.set(event.pointerId, event);
    const now = middle();
    if (!moved && Math.hypot(now.clientX - from.clientX, now.clientY - from.clientY) < 5
        && down.size === 1) return;
    if (!moved) { moved = true; svg.setPointerCapture(event.pointerId); }
    event.preventDefault();
    if (down.size === 2) {
      const wide = apart();
      if (spread > 0) zoom(svg, wide / spread, drawn(svg, now));
      spread = wide;
    }
    const a = drawn(svg, from), b = drawn(svg, now), view = box(svg);
    pan(svg, (a.x - b.x) / view.w, (a.y - b.y) / view.h);
    from = middle();
  });
  const up = (event) => {
    down.delete(event.pointerId);
    if (down.size) from = middle();
  };
  svg.addEventListener("pointerup", up);
  svg.addEventListener("pointercancel", up);
  svg.addEventListener("click", (event) => {
    if (moved) { moved = false; event.stopPropagation(); return; }
    const shape = event.target.closest("[data-zone], [data-pick]");
    if (shape && svg.contains(shape)) pick(svg, shape, event);
  });
}

function keys(svg) {
  svg.addEventListener("keydown", (event) => {
    if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey) return;
    const shape = event.target.closest("[data-zone], [data-pick]");
    if (shape && (event.key === "Enter" || event.key === " ")) {
      event.preventDefault();
      pick(svg, shape, event);
      return;
    }
    const far = event.shiftKey ? 0.4 : 0.1;
    const moves = { ArrowLeft: [-far, 0], ArrowRight: [far, 0], ArrowUp: [0, -far],
      ArrowDown: [0, far] };
    if (event.key in moves) pan(svg, ...moves[event.key]);
    else if (event.key === "+" || event.key === "=") zoom(svg, STEP);
    else if (event.key === "-" || event.key === "_") zoom(svg, 1 / STEP);
    else if (event.key === "0" || event.key === "Home") fit(svg);
    else return;
    event.preventDefault();
  });
}

/** Make a drawing a map; again for one that a patch brought. */
export function begin(svg) {
  if (maps.has(svg)) return;
  const home = box(svg);
  if (!(home.w > 0) || !(home.h > 0)) return;
  maps.set(svg, { home });
  if (!svg.hasAttribute("tabindex")) svg.setAttribute("tabindex", "0");
  svg.dataset.zoom = "1.00";
  pointers(svg);
  keys(svg);
  svg.addEventListener("wheel", (event) => {
    // a page scrolls over a map as over anything else, until the map was touched or Ctrl is held
    if (!event.ctrlKey && !svg.contains(document.activeElement)) return;
    event.preventDefault();
    zoom(svg, event.deltaY < 0 ? STEP : 1 / STEP, drawn(svg, event));
  }, { passive: false });
}

export function beginAll() {
  for (const svg of document.querySelectorAll("svg[data-map]")) begin(svg);
}

document.addEventListener("click", (event) => {
  const button = event.target.closest?.("[data-map-do]");
  if (!button) return;
  const svg = document.getElementById(button.getAttribute("aria-controls"));
  if (!svg) return;
  const todo = { in: () => zoom(svg, STEP), out: () => zoom(svg, 1 / STEP), fit: () => fit(svg) };
  todo[button.dataset.mapDo]?.();
});

new MutationObserver(beginAll).observe(document.body, { childList: true, subtree: true });
beginAll();
