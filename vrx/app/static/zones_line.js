// A line drawn on the sheet, to split a zone or to redraw a border: by clicks, taps, a drag, or a
// cross-hair moved by keys. It tells nothing to the server; `finish` gives the line in metres.

import { FT, mark, same } from "./sheet.js";

const REACH = 7;

export class LineTool {
  // `told`: name, words (what to do), done(line in metres), gone().
  constructor(desk, told) {
    this.desk = desk;
    this.told = told;
    this.points = [];
    this.drag = null;
    const [across, down] = desk.middle(desk.chosen()[0]);
    this.cross = [across, down];
    this.byKeys = false;
    this.pointer = null;
  }

  get name() { return this.told.name; }

  hint() {
    const count = this.points.length;
    return count === 0 ? this.told.words
      : `${count} ${count === 1 ? "point" : "points"}. The next one, or end the line with a ` +
        "double click, Enter on the last point, or the button.";
  }

  // A corner or a border near a place, else the place itself.
  snapped(place) {
    const { sheet } = this.desk;
    const reach = REACH / sheet.scale();
    const last = this.points.at(-1);
    let best = null, least = reach;
    for (const corner of this.corners ??= sheet.everyCorner()) {
      if (last && same(corner, last)) continue;
      const away = Math.hypot(corner[0] - place[0], corner[1] - place[1]);
      if (away < least) { least = away; best = corner; }
    }
    return best || place;
  }

  press(event) {
    if (event.pointerType === "touch") return false;
    this.drag = { from: this.snapped(this.desk.sheet.at(event)), x: event.clientX,
      y: event.clientY, far: false };
    return true;
  }

  move(event) {
    this.pointer = this.desk.sheet.at(event);
    if (this.drag && Math.hypot(event.clientX - this.drag.x, event.clientY - this.drag.y) > 6) {
      this.drag.far = true;
    }
    this.draw();
  }

  release(event) {
    const drag = this.drag;
    this.drag = null;
    if (!drag) return;
    const to = this.snapped(this.desk.sheet.at(event));
    if (drag.far) {
      if (this.points.length === 0) this.add(drag.from);
      this.add(to);
      if (this.points.length === 2) this.finish();
    } else {
      this.add(drag.from);
    }
  }

  tap(event) { this.add(this.snapped(this.desk.sheet.at(event))); }

  add(place) {
    const last = this.points.at(-1);
    if (last && same(last, place)) { if (this.points.length > 1) this.finish(); return; }
    this.points.push(place);
    this.cross = place;
    this.desk.say(`Point ${this.points.length}: ${this.desk.sheet.words(place)}.`);
    this.desk.showHint();
    this.draw();
  }

  back() {
    if (!this.points.pop()) return;
    this.desk.say(`The last point is taken back; ${this.points.length} left.`);
    this.desk.showHint();
    this.draw();
  }

  finish() {
    if (this.points.length < 2) {
      this.desk.refuse("A line needs two points at least.", "Set one more, then end the line.");
      return;
    }
    this.told.done(this.points.map((place) => this.desk.sheet.metres(place)));
  }

  key(event) {
    const ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const { sheet } = this.desk;
    if (event.key in ways) {
      // Ten feet a press, a hundred with Shift.
      const step = (event.shiftKey ? 100 : 10) * FT * sheet.per;
      this.byKeys = true;
      this.cross = this.desk.inside([this.cross[0] + ways[event.key][0] * step,
        this.cross[1] + ways[event.key][1] * step]);
      this.desk.say(sheet.words(this.cross));
      this.desk.keepSeen(this.cross);
      this.draw();
    } else if (event.key === "Enter") {
      this.byKeys = true;
      this.add(this.cross);
    } else if (event.key === "Backspace" || event.key === "Delete") {
      this.back();
    } else {
      return false;
    }
    return true;
  }

  draw() {
    const { marks, sheet } = this.desk;
    const unit = 1 / sheet.scale();
    marks.replaceChildren();
    const line = [...this.points];
    const next = this.drag?.far ? [this.drag.from, this.pointer] : [];
    if (this.byKeys) next.push(this.cross);
    else if (!next.length && this.pointer && line.length) next.push(this.pointer);
    const all = [...line, ...next].map((at) => `${at[0]},${at[1]}`).join(" ");
    mark("polyline", { points: all, class: "draft-below" }, marks);
    mark("polyline", { points: all, class: "draft" }, marks);
    for (const [across, down] of line) {
      mark("circle", { cx: across, cy: down, r: 5 * unit, class: "draft-point" }, marks);
    }
    if (this.byKeys) crossHair(this.cross, unit, marks);
  }
}

export function crossHair([across, down], unit, parent) {
  const arm = 16 * unit, gap = 4 * unit;
  for (const kind of ["cross-below", "cross"]) {
    mark("path", { class: kind, d: `M${across - arm} ${down}H${across - gap}M${across + gap} ` +
      `${down}H${across + arm}M${across} ${down - arm}V${down - gap}M${across} ${down + gap}V` +
      `${down + arm}` }, parent);
  }
}
