// A zone of the map of needs opens the same as its number in the table.

function open(shape) {
  const nutrient = shape.closest("[data-nutrient]").dataset.nutrient;
  document.getElementById(`why-${nutrient}-${shape.dataset.zone}`)?.click();
}

document.addEventListener("click", (event) => {
  const shape = event.target.closest?.("#needs-map [data-zone]");
  if (shape) open(shape);
});

document.addEventListener("keydown", (event) => {
  if (event.key !== "Enter" && event.key !== " ") return;
  const shape = event.target.closest?.("#needs-map [data-zone]");
  if (!shape) return;
  event.preventDefault();
  open(shape);
});
