// A change pinned on its place: tap the picture. Without this module the place is chosen from the list.

const place = document.querySelector("[data-place]");
const pin = place.querySelector("svg");
const circle = pin.querySelector("circle");
const x = document.querySelector('[name="x_share"]');
const y = document.querySelector('[name="y_share"]');
const where = document.querySelector('[name="where"]');
place.classList.add("live");
document.querySelector("[data-place-help]").hidden = false;

function put(xShare, yShare) {
  const { width, height } = pin.viewBox.baseVal;
  circle.setAttribute("cx", xShare * width);
  circle.setAttribute("cy", yShare * height);
  pin.removeAttribute("hidden");
}

place.addEventListener("click", (event) => {
  const box = place.querySelector("img").getBoundingClientRect();
  const xShare = (event.clientX - box.left) / box.width;
  const yShare = (event.clientY - box.top) / box.height;
  if (xShare < 0 || xShare > 1 || yShare < 0 || yShare > 1) return;
  x.value = xShare.toFixed(5);
  y.value = yShare.toFixed(5);
  where.value = "";
  put(xShare, yShare);
});

where.addEventListener("change", () => {
  x.value = y.value = "";
  if (!where.value) { pin.setAttribute("hidden", ""); return; }
  const [column, row] = where.value.split(",").map(Number);
  put((column + 0.5) / 3, (row + 0.5) / 3);
});

if (x.value && y.value) put(Number(x.value), Number(y.value));
