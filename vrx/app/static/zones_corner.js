// A corner that zones share, moved with all of them: by drag, by two taps, or by keys. The zones
// themselves change only when the server has proven the result; until then edges are a preview.

import { FT, mark } from "./sheet.js";

const PICK = 24;
const SNAP = 7;

export class CornerTool {
  // `told`: done(corner, to) in metres.
  constructor(desk, told) {
    this.desk = desk;
    this.told = told;
    this.name = "corner";
    this.at = -1;
    this.to = null;
    this.drag = false;
    this.learn();
  }

  // The corners as they are now; N and P go on from the one at `near`.
  learn(near = null) {
    this.corners = this.desk.sheet.sharedCorners(this.desk.chosen());
    this.from = near ? this.nearest(near, Infinity) : -1;
    this.at = -1;
    this.to = null;
    this.draw();
  }

  hint() {
    if (this.corners.length === 0) {
      return "These zones share no corner with another zone. Select others, or give up.";
    }
    return this.at < 0
      ? `${this.corners.length} shared corners. Drag one, or tap one and then its new place; ` +
        "N and P step through them."
      : "Arrows move it by 1 ft, with Shift by 10 ft, with Ctrl by 50 ft. Enter sets it, Escape " +
        "gives it back.";
  }

  nearest(place, reach) {
    let best = -1, least = reach;
    this.corners.forEach((corner, k) => {
      const away = Math.hypot(corner[0] - place[0], corner[1] - place[1]);
      if (away < least) { least = away; best = k; }
    });
    return best;
  }

  // In line with both neighbours, or level with one of them, where that is near.
  snapped(place) {
    const reach = SNAP / this.desk.sheet.scale();
    let best = place, least = reach;
    const tryOne = (at) => {
      const away = Math.hypot(at[0] - place[0], at[1] - place[1]);
      if (away < least) { least = away; best = at; }
    };
    const beside = this.beside;
    for (const one of beside) {
      tryOne([one[0], place[1]]);
      tryOne([place[0], one[1]]);
    }
    for (let i = 0; i < beside.length; i += 1) {
      for (let k = i + 1; k < beside.length; k += 1) tryOne(foot(place, beside[i], beside[k]));
    }
    return best;
  }

  take(k) {
    this.at = k;
    this.to = [...this.corners[k]];
    this.beside = this.desk.sheet.beside(this.corners[k]);
    this.desk.showHint();
  }

  press(event) {
    if (event.pointerType === "touch") return false;
    const k = this.nearest(this.desk.sheet.at(event), PICK / this.desk.sheet.scale());
    if (k < 0) return this.at >= 0;
    this.take(k);
    this.drag = true;
    this.start = [event.clientX, event.clientY];
    this.far = false;
    this.draw();
    return true;
  }

  move(event) {
    if (!this.drag) return;
    this.far ||= Math.hypot(event.clientX - this.start[0], event.clientY - this.start[1]) > 4;
    if (this.far) this.to = this.snapped(this.desk.sheet.at(event));
    this.draw();
  }

  release(event) {
    if (!this.drag) { if (this.at >= 0) this.tap(event); return; }
    this.drag = false;
    if (this.far) this.set();
    else this.announce();
  }

  tap(event) {
    const place = this.desk.sheet.at(event);
    const k = this.nearest(place, PICK / this.desk.sheet.scale());
    const away = this.at < 0 ? 0 : this.desk.sheet.scale() * Math.hypot(
      place[0] - this.corners[this.at][0], place[1] - this.corners[this.at][1]);
    if (this.at >= 0 && (k < 0 || (k === this.at && away > 6))) {
      this.to = this.snapped(place);
      this.set();
    } else if (k >= 0) {
      this.take(k);
      this.announce();
    }
    this.draw();
  }

  step(by) {
    const count = this.corners.length;
    if (!count) return;
    const from = this.at < 0 ? this.from : this.at;
    this.take(from < 0 ? (by > 0 ? 0 : count - 1) : (from + by + count) % count);
    this.desk.keepSeen(this.to);
    this.announce();
    this.draw();
  }

  announce() {
    const words = this.desk.sheet.words(this.corners[this.at]).replace(/, [^,]*$/, "");
    this.desk.say(`Corner ${this.at + 1} of ${this.corners.length}, ${words}.`);
  }

  key(event) {
    const ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const letter = event.key.toLowerCase();
    if (event.key in ways) {
      if (this.at < 0) { this.step(1); return true; }
      const feet = event.ctrlKey ? 50 : event.shiftKey ? 10 : 1;
      const step = feet * FT * this.desk.sheet.per;
      this.to = [this.to[0] + ways[event.key][0] * step, this.to[1] + ways[event.key][1] * step];
      this.desk.say(this.moved());
      this.desk.keepSeen(this.to);
      this.draw();
    } else if (letter === "n") {
      this.step(1);
    } else if (letter === "p") {
      this.step(-1);
    } else if (event.key === "Enter") {
      this.set();
    } else if (event.key === "Escape" && this.at >= 0) {
      this.giveBack();
    } else {
      return false;
    }
    return true;
  }

  moved() {
    const feet = (units) => Math.round(Math.abs(units) / this.desk.sheet.per / FT * 10) / 10;
    const [across, down] = [0, 1].map((k) => this.to[k] - this.corners[this.at][k]);
    const parts = [];
    if (feet(across)) parts.push(`${feet(across)} ft ${across > 0 ? "east" : "west"}`);
    if (feet(down)) parts.push(`${feet(down)} ft ${down > 0 ? "south" : "north"}`);
    return parts.join(", ") || "where it was";
  }

  giveBack() {
    this.from = this.at;
    this.at = -1;
    this.to = null;
    this.drag = false;
    this.desk.say("The corner is back where it was.");
    this.desk.showHint();
    this.draw();
  }

  back() { if (this.at >= 0) this.giveBack(); }

  set() {
    if (this.at < 0) {
      this.desk.refuse("No corner is taken.", "Press N for the first one, or point at one.");
      return;
    }
    this.told.done(this.desk.sheet.metres(this.corners[this.at]),
      this.desk.sheet.metres(this.to), this.to);
  }

  finish() { this.set(); }

  draw() {
    const { marks, sheet } = this.desk;
    const unit = 1 / sheet.scale();
    marks.replaceChildren();
    const r = 4 * unit;
    const dots = this.corners.map(([a, d]) =>
      `M${a - r} ${d}a${r} ${r} 0 1 0 ${2 * r} 0a${r} ${r} 0 1 0 ${-2 * r} 0z`).join("");
    mark("path", { d: dots, class: "corners" }, marks);
    if (this.at < 0) return;
    const [across, down] = this.to;
    for (const kind of ["draft-below", "draft"]) {
      const edges = this.beside.map(([a, d]) => `M${across} ${down}L${a} ${d}`).join("");
      mark("path", { d: edges, class: kind }, marks);
    }
    mark("circle", { cx: across, cy: down, r: 8 * unit, class: "corner-taken" }, marks);
  }
}

function foot(place, one, other) {
  const run = [other[0] - one[0], other[1] - one[1]];
  const length = run[0] ** 2 + run[1] ** 2;
  if (length === 0) return one;
  const part = ((place[0] - one[0]) * run[0] + (place[1] - one[1]) * run[1]) / length;
  const kept = Math.min(Math.max(part, 0.02), 0.98);
  return [one[0] + kept * run[0], one[1] + kept * run[1]];
}
