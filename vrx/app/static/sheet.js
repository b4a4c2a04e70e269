// The sheet of zones: places on it in drawing units and in metres, rings and corners of its zones.
// Metres are east and north in the field's own system, computed from the sheet's numbers at double
// precision; the server knows only metres.

export const FT = 0.3048;
const NS = "http://www.w3.org/2000/svg";

export function mark(tag, attributes, parent) {
  const made = document.createElementNS(NS, tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  if (parent) parent.append(made);
  return made;
}

export const same = (one, other) => Math.hypot(one[0] - other[0], one[1] - other[1]) < 1e-9;

export class Sheet {
  constructor(svg) {
    this.svg = svg;
    this.west = Number(svg.dataset.west);
    this.north = Number(svg.dataset.north);
    this.per = Number(svg.dataset.unitsPerM);
    this.known = new Map();
  }

  get shapes() { return document.getElementById("zone-shapes"); }

  metres([across, down]) { return [this.west + across / this.per, this.north - down / this.per]; }

  place([east, north]) { return [(east - this.west) * this.per, (this.north - north) * this.per]; }

  // Where a pointer is, in drawing units. The matrix is inverted here, in doubles: SVG's own
  // points hold single precision, which is 0.06 m too coarse on a large field.
  at(event) {
    const m = this.shapes.getScreenCTM();
    const det = m.a * m.d - m.b * m.c;
    const x = event.clientX - m.e, y = event.clientY - m.f;
    return [(m.d * x - m.c * y) / det, (m.a * y - m.b * x) / det];
  }

  onScreen([across, down]) {
    const m = this.shapes.getScreenCTM();
    return [m.a * across + m.c * down + m.e, m.b * across + m.d * down + m.f];
  }

  // Screen pixels of one drawing unit.
  scale() {
    const m = this.shapes.getScreenCTM();
    return m ? Math.hypot(m.a, m.b) : 1;
  }

  zones() { return [...this.shapes.querySelectorAll("[data-zone]")]; }

  zone(id) { return document.getElementById(`zone-${id}`); }

  letter(id) {
    const shape = this.zone(id);
    return shape ? shape.dataset.letter : "";
  }

  // The zone under a place of the drawing, "" beside the field.
  zoneAt(place) {
    const point = this.svg.createSVGPoint();
    [point.x, point.y] = place;
    const hit = this.zones().find(
      (zone) => zone.firstElementChild.isPointInFill(point));
    return hit ? hit.dataset.zone : "";
  }

  // Rings of a zone as drawn, [[[across, down], ...], ...] in whole hundredths of a unit.
  rings(id) {
    const shape = this.zone(id);
    if (!shape) return [];
    const path = shape.firstElementChild.getAttribute("d");
    const held = this.known.get(id);
    if (held && held.path === path) return held.rings;
    const rings = [];
    for (const ring of path.split("z")) {
      if (!ring) continue;
      const steps = ring.slice(1).split("l");
      let across = 0, down = 0;
      rings.push(steps.map((step) => {
        const [a, d] = step.split(" ");
        across += Math.round(Number(a) * 100);
        down += Math.round(Number(d) * 100);
        return [across, down];
      }));
    }
    this.known.set(id, { path, rings });
    return rings;
  }

  // Corners of some zones that other zones share, round each border in turn: places in units.
  sharedCorners(ids) {
    const holders = new Map();
    for (const zone of this.zones()) {
      const own = new Set();
      for (const ring of this.rings(zone.dataset.zone)) for (const at of ring) own.add(`${at}`);
      for (const key of own) holders.set(key, (holders.get(key) || 0) + 1);
    }
    const found = new Map();
    for (const id of ids) {
      for (const ring of this.rings(id)) {
        for (const at of ring) {
          if (holders.get(`${at}`) > 1 && !found.has(`${at}`)) {
            found.set(`${at}`, [at[0] / 100, at[1] / 100]);
          }
        }
      }
    }
    return [...found.values()];
  }

  // The corners next to a corner along every edge that it ends: places in units.
  beside(corner) {
    const key = `${Math.round(corner[0] * 100)},${Math.round(corner[1] * 100)}`;
    const found = new Map();
    for (const zone of this.zones()) {
      for (const ring of this.rings(zone.dataset.zone)) {
        ring.forEach((at, k) => {
          if (`${at}` !== key) return;
          for (const next of [ring[(k + 1) % ring.length], ring.at(k - 1)]) {
            found.set(`${next}`, [next[0] / 100, next[1] / 100]);
          }
        });
      }
    }
    return [...found.values()];
  }

  // All corners of all zones, for snapping.
  everyCorner() {
    const found = new Map();
    for (const zone of this.zones()) {
      for (const ring of this.rings(zone.dataset.zone)) {
        for (const at of ring) found.set(`${at}`, [at[0] / 100, at[1] / 100]);
      }
    }
    return [...found.values()];
  }

  // A place in words: feet from the field's west and south edge, and the zone there.
  words(place) {
    const box = document.getElementById("field-edge").getBBox();
    const feet = (units) => Math.round(units / this.per / FT).toLocaleString("en-US");
    const zone = this.zoneAt(place);
    const where = zone ? `zone ${this.letter(zone)}` : "outside the field";
    return `${feet(place[0] - box.x)} ft from the west edge, ` +
      `${feet(box.y + box.height - place[1])} ft from the south edge, ${where}`;
  }
}
