// The step of zones: choosing them on map and table alike, tools, and their keys. Every change is
// made by the server; the page shows what it answers.

import { onPatch, refresh, say, send } from "./app.js";
import { Sheet, mark } from "./sheet.js";
import { CornerTool } from "./zones_corner.js";
import { LineTool } from "./zones_line.js";

const svg = document.getElementById("zone-map");
const board = document.getElementById("zone-board");

class Desk {
  constructor() {
    this.sheet = new Sheet(svg);
    this.frame = svg.dataset.frame;
    this.chosenIds = new Set();
    this.tool = null;
    this.current = "";
    this.marks = document.getElementById("zone-marks");
    this.say = say;
    this.taps = new Set();
  }

  chosen() { return [...this.chosenIds].filter((id) => this.sheet.zone(id)); }

  words(ids) {
    const all = ids.map((id) => this.sheet.letter(id));
    return all.length === 1 ? `zone ${all[0]}` : `zones ${all.slice(0, -1).join(", ")} and ${all.at(-1)}`;
  }

  // ---- choosing

  choose(id, on = !this.chosenIds.has(id), { quiet = false } = {}) {
    if (!this.sheet.zone(id)) return;
    if (on) this.chosenIds.add(id); else this.chosenIds.delete(id);
    this.show();
    if (!quiet) {
      const count = this.chosen().length;
      say(`Zone ${this.sheet.letter(id)} ${on ? "selected" : "no longer selected"}, ` +
        `${count} selected.`);
    }
    if (this.tool instanceof CornerTool) { this.tool.learn(); this.showHint(); }
  }

  clear() {
    if (this.chosenIds.size === 0) return;
    this.chosenIds.clear();
    this.show();
    say("No zone is selected.");
  }

  // What is selected, on map, table and tools.
  show() {
    const known = new Set(this.sheet.zones().map((zone) => zone.dataset.zone));
    for (const id of [...this.chosenIds]) if (!known.has(id)) this.chosenIds.delete(id);
    if (!known.has(this.current)) this.current = this.sheet.zones()[0]?.dataset.zone || "";
    const rings = document.getElementById("zone-chosen");
    rings.replaceChildren();
    for (const zone of this.sheet.zones()) {
      const id = zone.dataset.zone;
      const on = this.chosenIds.has(id);
      const told = on ? "true" : "false";
      if (zone.getAttribute("aria-selected") !== told) zone.setAttribute("aria-selected", told);
      const stop = id === this.current ? "0" : "-1";
      if (zone.getAttribute("tabindex") !== stop) zone.setAttribute("tabindex", stop);
      const row = document.getElementById(`row-${id}`);
      if (row) {
        row.classList.toggle("chosen", on);
        const box = row.querySelector("input[type=checkbox]");
        if (box && box.checked !== on) box.checked = on;
      }
      if (on) {
        mark("use", { href: `#shape-${id}`, class: "chosen-below" }, rings);
        mark("use", { href: `#shape-${id}`, class: "chosen" }, rings);
      }
    }
    const focused = document.activeElement?.closest?.("[data-zone]");
    if (focused && svg.contains(focused)) {
      mark("use", { href: `#shape-${focused.dataset.zone}`, class: "ring-below" }, rings);
      mark("use", { href: `#shape-${focused.dataset.zone}`, class: "ring" }, rings);
    }
    const count = this.chosen().length;
    const told = document.getElementById("zone-count");
    const words = count === 0 ? "None selected." : count === 1
      ? `${cap(this.words(this.chosen()))} selected.` : `${count} zones selected.`;
    if (told.textContent !== words) told.textContent = words;
    this.thin();
  }

  // Labels keep their size on the screen; those that would not fit are left out.
  thin() {
    const scale = this.sheet.scale();
    const small = (1 / scale).toFixed(4);
    const focused = document.activeElement?.closest?.("[data-zone]")?.dataset.zone;
    for (const label of document.getElementById("zone-labels").children) {
      const id = label.dataset.label;
      const wanted = this.chosenIds.has(id) || id === focused;
      const both = Number(label.dataset.both) <= scale || wanted;
      const alone = !both && Number(label.dataset.letter) <= scale;
      for (const part of label.children) {
        const on = part.dataset.part === "both" ? both : alone;
        if (on) {
          part.removeAttribute("display");
          const inner = part.firstElementChild;
          inner.setAttribute("transform", `${inner.dataset.place} scale(${small})`);
        } else {
          part.setAttribute("display", "none");
        }
      }
    }
    for (const point of document.querySelectorAll("#zone-samples [data-place]")) {
      point.setAttribute("transform", `${point.dataset.place} scale(${small})`);
      const text = point.querySelector("[data-crowded]");
      if (text) text.setAttribute("display", scale >= 2 ? "inline" : "none");
    }
    this.clearReadings();
    this.tool?.draw();
  }

  // A reading under a zone's label is left out; its point stays.
  clearReadings() {
    const texts = document.querySelectorAll("#zone-samples text");
    if (texts.length === 0) return;
    const boxes = [...document.querySelectorAll("#zone-labels [data-part]:not([display])")]
      .map((one) => one.getBoundingClientRect());
    const covered = [...texts].map((text) => {
      const own = text.getBoundingClientRect();
      return boxes.some((box) => own.left < box.right + 5 && box.left < own.right + 5
        && own.top < box.bottom + 1 && box.top < own.bottom + 1);
    });
    texts.forEach((text, k) => text.classList.toggle("covered", covered[k]));
  }

  // ---- places

  middle(id) {
    const place = document.querySelector(`#label-${id} [data-place]`)?.dataset.place || "";
    const found = place.match(/-?[\d.]+/g);
    if (found) return found.map(Number);
    const view = svg.viewBox.baseVal;
    return [view.x + view.width / 2, view.y + view.height / 2];
  }

  inside([across, down]) {
    const wide = Number(svg.dataset.width), tall = Number(svg.dataset.height);
    return [Math.min(Math.max(across, 0), wide), Math.min(Math.max(down, 0), tall)];
  }

  // The part of the map that is shown follows a place that keys move.
  keepSeen([across, down]) {
    const view = svg.viewBox.baseVal;
    const edge = 0.08 * view.width;
    const x = Math.min(Math.max(view.x, across + edge - view.width), across - edge);
    const y = Math.min(Math.max(view.y, down + edge - view.height), down - edge);
    if (Math.abs(x - view.x) < 1e-9 && Math.abs(y - view.y) < 1e-9) return;
    const wide = Number(svg.dataset.width), tall = Number(svg.dataset.height);
    const held = [Math.min(Math.max(x, 0), wide - view.width),
      Math.min(Math.max(y, 0), tall - view.height)];
    svg.setAttribute("viewBox", `${held[0]} ${held[1]} ${view.width} ${view.height}`);
    this.thin();
  }

  // The next zone in a direction: near, and not far off to the side.
  towards(id, [across, down]) {
    const from = this.middle(id);
    let best = "", least = Infinity;
    for (const zone of this.sheet.zones()) {
      const other = zone.dataset.zone;
      if (other === id) continue;
      const at = this.middle(other);
      const run = (at[0] - from[0]) * across + (at[1] - from[1]) * down;
      const side = Math.abs((at[0] - from[0]) * down) + Math.abs((at[1] - from[1]) * across);
      if (run <= 0 || side > 2.5 * run) continue;
      if (run + 1.5 * side < least) { least = run + 1.5 * side; best = other; }
    }
    return best;
  }

  focusZone(id) {
    const zone = this.sheet.zone(id);
    if (!zone) return;
    this.current = id;
    for (const one of this.sheet.zones()) {
      one.setAttribute("tabindex", one === zone ? "0" : "-1");
    }
    zone.focus({ preventScroll: false });
    this.keepSeen(this.middle(id));
  }

  // ---- tools

  begin(name) {
    if (this.tool) this.end({ quiet: true });
    const ids = this.chosen();
    const needed = { split: [1, 1, "Select the one zone that is to be split."],
      merge: [2, Infinity, "Select the zones that are to become one."],
      corner: [1, Infinity, "Select a zone; corners that it shares can then be moved."],
      redraw: [2, 2, "Select the two zones whose border is to be drawn anew."] }[name];
    if (ids.length < needed[0] || ids.length > needed[1]) {
      const told = ids.length === 0 ? "No zone is" : ids.length === 1 ? "One zone is"
        : `${ids.length} zones are`;
      this.refuse(`${told} selected.`, needed[2]);
      return;
    }
    this.unrefuse();
    if (name === "merge") { this.merge(ids); return; }
    if (name === "split") {
      this.tool = new LineTool(this, { name,
        words: `Draw across ${this.words(ids)}, from edge to edge.`,
        done: (line) => this.act("split", { zone: ids[0], line: JSON.stringify(line) }) });
    } else if (name === "redraw") {
      this.tool = new LineTool(this, { name,
        words: `Draw the new border between ${this.words(ids)}.`,
        done: (line) => this.act("redraw", { zones: JSON.stringify(ids.map(Number)),
          line: JSON.stringify(line) }) });
    } else {
      this.tool = new CornerTool(this, {
        done: (corner, to, place) => this.act("corner", { corner: JSON.stringify(corner),
          to: JSON.stringify(to) }, place) });
    }
    const button = document.querySelector(`[data-tool="${name}"]`);
    button.setAttribute("aria-pressed", "true");
    document.getElementById("tool-more").hidden = false;
    board.dataset.using = name;
    board.tabIndex = 0;
    board.setAttribute("role", "application");
    board.setAttribute("aria-label", `${button.textContent.trim()}: ${this.tool.hint()}`);
    board.focus({ preventScroll: true });
    this.showHint();
    const under = document.getElementById("bar").getBoundingClientRect().top;
    if (board.getBoundingClientRect().bottom > under) {
      document.getElementById("map-card").scrollIntoView({ block: "start" });
    }
    say(this.tool.hint());
    this.tool.draw();
  }

  end({ quiet = false } = {}) {
    if (!this.tool) return;
    const name = this.tool.name;
    this.tool = null;
    this.marks.replaceChildren();
    delete board.dataset.using;
    board.removeAttribute("role");
    board.removeAttribute("aria-label");
    const held = document.activeElement === board;
    board.removeAttribute("tabindex");
    document.getElementById("tool-more").hidden = true;
    const button = document.querySelector(`[data-tool="${name}"]`);
    button?.setAttribute("aria-pressed", "false");
    this.showHint();
    if (held || document.activeElement === document.body) button?.focus({ preventScroll: true });
    if (!quiet) say("The tool is put away; nothing was changed.");
  }

  showHint() {
    const told = document.getElementById("tool-hint");
    const words = this.tool ? this.tool.hint()
      : "Tap or click zones to select them, then choose a tool.";
    if (told.textContent !== words) told.textContent = words;
    const back = document.getElementById("tool-back");
    back.textContent = this.tool instanceof CornerTool ? "Give it back" : "Last point back";
    document.getElementById("tool-end").textContent =
      this.tool instanceof CornerTool ? "Set it" : "End the line";
    for (const one of document.querySelectorAll("[data-to-corner]")) {
      one.hidden = !(this.tool instanceof CornerTool);
    }
  }

  // ---- what the server does

  async act(action, fields, place = null) {
    // undo and redo pressed while an answer is awaited follow it; a line drawn twice does not
    if (this.waiting && action !== "undo" && action !== "redo") return;
    while (this.waiting) await new Promise((done) => { setTimeout(done, 15); });
    this.waiting = true;
    const before = document.activeElement;
    const tool = this.tool;
    let told;
    try {
      // What the page still asks for comes first, or the server would be busy with it.
      while (this.asking) await new Promise((done) => { setTimeout(done, 15); });
      told = await send(`/zones/${action}`, fields);
    } finally {
      this.waiting = false;
    }
    if (told?.trouble) {
      const region = document.getElementById("trouble");
      if (region) region.hidden = true;
      before?.focus?.({ preventScroll: true });
      this.refuse(told.trouble.message, told.trouble.hint, told.trouble.code);
      if (tool instanceof CornerTool) { tool.learn(); this.showHint(); }
      return;
    }
    if (!told) return;
    if (tool && tool === this.tool) {
      if (tool instanceof CornerTool && told.said !== undefined) {
        tool.learn(place);
        this.showHint();
      } else {
        this.end({ quiet: true });
      }
    }
  }

  merge(ids) {
    const apart = document.getElementById("merge-apart");
    this.act("merge", { zones: JSON.stringify(ids.map(Number)),
      ...(apart?.checked ? { apart: "yes" } : {}) });
  }

  refuse(message, hint, code = "") {
    const told = document.getElementById("tool-trouble");
    told.replaceChildren();
    for (const text of [message, hint]) {
      if (!text) continue;
      const line = document.createElement("p");
      line.textContent = cap(text);
      told.append(line);
    }
    if (code) {
      const more = document.createElement("a");
      more.href = `/code/${encodeURIComponent(code)}`;
      more.target = "_blank";
      more.rel = "noopener";
      more.textContent = "What this means";
      told.append(more);
    }
    told.hidden = false;
    say(`${message} ${hint || ""}`);
  }

  unrefuse() { document.getElementById("tool-trouble").hidden = true; }

  async open(id) {
    const told = await send("/zones/open", { zone: id });
    if (told && !told.trouble) document.getElementById("zone-card-title")?.focus();
  }

  // ---- after parts came

  patched() {
    const frame = document.getElementById("zone-borders")?.dataset.frame;
    if (frame && frame !== this.frame) { location.reload(); return; }
    inOrder();
    if (this.tool instanceof LineTool) this.tool.corners = null;
    this.unrefuse();
    this.show();
    // Standard errors of changed zones come after the totals.
    if (document.querySelector("#zones-found[data-waiting]") && !this.asking) {
      this.asking = true;
      setTimeout(() => refresh().finally(() => { this.asking = false; }), 20);
    }
  }
}

const cap = (text) => text.charAt(0).toUpperCase() + text.slice(1);

// Rows and shapes in the order of the zones: parts that are new were put at the end.
function inOrder() {
  const told = document.getElementById("zone-borders")?.dataset.order;
  if (!told) return;
  const wanted = told.split(",");
  for (const [holder, prefix] of [["zone-rows", "row-"], ["zone-shapes", "zone-"]]) {
    const home = document.getElementById(holder);
    const now = [...home.children].map((one) => one.id);
    const right = wanted.map((id) => prefix + id);
    if (right.length !== now.length || right.every((id, k) => id === now[k])) continue;
    const active = document.activeElement;
    for (const id of right) home.append(document.getElementById(id));
    if (home.contains(active)) active.focus({ preventScroll: true });
  }
}

const desk = new Desk();

// ---- pointers: a tool takes the mouse before the map does; touch still pans and zooms

const toolButton = (event) => desk.tool && event.button === 0 && event.pointerType !== "touch";

board.addEventListener("pointerdown", (event) => {
  if (!svg.contains(event.target)) return;
  if (desk.tool) event.preventDefault();
  if (!toolButton(event)) {
    if (desk.tool) touches.down(event);
    return;
  }
  event.stopPropagation();
  board.setPointerCapture(event.pointerId);
  desk.tool.press(event);
}, true);

board.addEventListener("pointermove", (event) => {
  if (!desk.tool || event.pointerType === "touch") return;
  desk.tool.move(event);
  if (board.hasPointerCapture(event.pointerId)) event.stopPropagation();
}, true);

board.addEventListener("pointerup", (event) => {
  if (!desk.tool) return;
  if (event.pointerType === "touch") { touches.up(event); return; }
  if (!board.hasPointerCapture(event.pointerId)) return;
  event.stopPropagation();
  board.releasePointerCapture(event.pointerId);
  desk.tool.release(event);
}, true);

board.addEventListener("dblclick", (event) => {
  if (!(desk.tool instanceof LineTool) || desk.tool.points.length < 2) return;
  event.preventDefault();
  desk.tool.finish();
}, true);

// With a tool on, clicks are the tool's: none may select a zone.
board.addEventListener("click", (event) => {
  if (desk.tool && svg.contains(event.target)) { event.stopPropagation(); event.preventDefault(); }
}, true);

const touches = {
  at: new Map(), most: 0,
  down(event) {
    this.at.set(event.pointerId, [event.clientX, event.clientY]);
    this.most = Math.max(this.most, this.at.size);
  },
  up(event) {
    const from = this.at.get(event.pointerId);
    this.at.delete(event.pointerId);
    const alone = this.most === 1;
    if (this.at.size === 0) this.most = 0;
    if (!from || !alone) return;
    if (Math.hypot(event.clientX - from[0], event.clientY - from[1]) < 10) desk.tool.tap(event);
  },
};
board.addEventListener("pointercancel", (event) => {
  touches.at.delete(event.pointerId);
  if (touches.at.size === 0) touches.most = 0;
  if (desk.tool?.drag) { desk.tool.drag = false; desk.tool.back?.(); }
});

svg.addEventListener("map-pick", (event) => {
  const { zone, event: by } = event.detail;
  if (!zone || desk.tool) return;
  desk.current = zone;
  if (by.type === "keydown" && by.key === "Enter") desk.open(zone);
  else desk.choose(zone);
});

svg.addEventListener("focusin", (event) => {
  const zone = event.target.closest("[data-zone]");
  if (zone) { desk.current = zone.dataset.zone; desk.show(); }
});
svg.addEventListener("focusout", () => setTimeout(() => desk.show()));
svg.addEventListener("map-view", () => desk.thin());
new ResizeObserver(() => desk.thin()).observe(svg);

// ---- keys

board.addEventListener("keydown", (event) => {
  if (event.metaKey || event.altKey) return;
  if (desk.tool) {
    if (["+", "=", "-", "_", "0"].includes(event.key)) {
      const way = { "+": "in", "=": "in", "-": "out", "_": "out", 0: "fit" }[event.key];
      document.querySelector(`[data-map-do="${way}"]`)?.click();
    } else if (desk.tool.key(event)) {
      // the tool's
    } else if (event.key === "Escape") {
      desk.end();
    } else {
      return;
    }
    event.preventDefault();
    event.stopPropagation();
    return;
  }
  const zone = event.target.closest("[data-zone]");
  if (!zone || event.ctrlKey) return;
  const ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  const all = desk.sheet.zones();
  let to = "";
  if (event.key in ways) to = desk.towards(zone.dataset.zone, ways[event.key]);
  else if (event.key === "Home") to = all[0].dataset.zone;
  else if (event.key === "PageDown" || event.key === "PageUp") {
    // every zone in turn: arrows alone may pass one by whose neighbours are nearer
    const by = event.key === "PageDown" ? 1 : -1;
    to = all[(all.indexOf(zone) + by + all.length) % all.length].dataset.zone;
  }
  else if (event.key === "End") to = all.at(-1).dataset.zone;
  else if (event.key === "Escape") desk.clear();
  else return;
  event.preventDefault();
  event.stopPropagation();
  if (to) desk.focusZone(to);
}, true);

const writing = (target) => target.closest?.("input:not([type=checkbox],[type=radio]), select, textarea");

addEventListener("keydown", (event) => {
  if (!(event.ctrlKey || event.metaKey) || event.altKey || writing(event.target)) return;
  const key = event.key.toLowerCase();
  const undo = key === "z" && !event.shiftKey;
  const redo = key === "y" || (key === "z" && event.shiftKey);
  if (!undo && !redo) return;
  event.preventDefault();
  if (desk.tool) desk.end({ quiet: true });
  desk.act(undo ? "undo" : "redo", {});
});

// ---- buttons and rows

document.addEventListener("click", (event) => {
  const button = event.target.closest?.("[data-tool], [data-tool-do], [data-to-corner]");
  if (!button) return;
  if (button.dataset.tool) {
    if (desk.tool?.name === button.dataset.tool) desk.end();
    else desk.begin(button.dataset.tool);
  } else if (button.dataset.toCorner) {
    desk.tool?.step?.(Number(button.dataset.toCorner));
  } else {
    ({ end: () => desk.tool?.finish(), back: () => desk.tool?.back(),
      leave: () => desk.end(), clear: () => desk.clear() })[button.dataset.toolDo]?.();
  }
});

document.addEventListener("change", (event) => {
  const box = event.target;
  if (box.dataset?.pickZone) {
    desk.choose(box.dataset.pickZone, box.checked);
  } else if (box.name === "zones.from") {
    showSource();
  }
});

// Only the fields of the chosen source are shown.
function showSource() {
  const told = document.querySelector('[name="zones.from"]');
  if (!told) return;
  const crossed = document.querySelector('[name="zones.cross_with"]')?.value || "";
  for (const one of document.querySelectorAll("[data-of-source]")) {
    const of = one.dataset.ofSource.split("|");
    const test = one.dataset.ofTest;
    const wanted = !test || document.querySelector(`[name="zones.nutrients"][value="${test}"]`)?.checked;
    one.hidden = (!of.includes(told.value) && !of.includes(crossed)) || !wanted;
  }
}
document.addEventListener("change", (event) => {
  if (["zones.cross_with", "zones.nutrients"].includes(event.target.name)) showSource();
});

onPatch(() => { desk.patched(); showSource(); });
desk.current = desk.sheet.zones()[0]?.dataset.zone || "";
desk.show();
desk.showHint();
showSource();
