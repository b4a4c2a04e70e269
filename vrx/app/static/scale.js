// The scale bar of a map that can be enlarged: the longest of 1, 2, 5 times a power of ten that
// fits into a quarter of what is seen, in feet and in metres.

const FT = 0.3048;

function nice(most) {
  const power = 10 ** Math.floor(Math.log10(most));
  return [5, 2, 1].map((one) => one * power).find((one) => one <= most * (1 + 1e-9));
}

function show(svg, bar, unit, per) {
  const length = nice((svg.getBoundingClientRect().width / 4) * per / unit.m);
  const line = bar.querySelector(`[data-in="${unit.name}"]`);
  line.querySelector("span").textContent = `${length.toLocaleString("en-US")} ${unit.name}`;
  line.querySelector("i").style.width = `${(length * unit.m) / per}px`;
}

function draw(svg) {
  const bar = document.querySelector(`[data-scale-of="${svg.id}"]`);
  const matrix = svg.getScreenCTM();
  if (!bar || !matrix) return;
  const metresPerPixel = 1 / (Math.hypot(matrix.a, matrix.b) * Number(svg.dataset.unitsPerM));
  if (!Number.isFinite(metresPerPixel) || metresPerPixel <= 0) return;
  show(svg, bar, { name: "ft", m: FT }, metresPerPixel);
  show(svg, bar, { name: "m", m: 1 }, metresPerPixel);
}

for (const svg of document.querySelectorAll("svg[data-units-per-m]")) {
  svg.addEventListener("map-view", () => draw(svg));
  new ResizeObserver(() => draw(svg)).observe(svg);
  draw(svg);
}
