// Dragging pictures into another order. The buttons beside them do the same without it.

function row(target) { return target.closest(".set > li[data-item]"); }
let dragged = null;

document.addEventListener("dragstart", (event) => {
  dragged = event.target.closest("figure") && row(event.target);
  if (!dragged) return;
  event.dataTransfer.effectAllowed = "move";
  event.dataTransfer.setData("text/plain", dragged.dataset.item);
  dragged.classList.add("dragged");
});
document.addEventListener("dragover", (event) => {
  const over = dragged && row(event.target);
  if (!over) return;
  event.preventDefault();
  document.querySelectorAll(".set > li.over").forEach((one) => one.classList.remove("over"));
  if (over !== dragged) over.classList.add("over");
});
document.addEventListener("drop", (event) => {
  const over = dragged && row(event.target);
  if (!over || over === dragged) return;
  event.preventDefault();
  over.before(dragged);
  keep();
});
document.addEventListener("dragend", () => {
  dragged?.classList.remove("dragged");
  document.querySelectorAll(".set > li.over").forEach((one) => one.classList.remove("over"));
  dragged = null;
});

function keep() {
  const list = document.querySelector(".set");
  const order = [...list.querySelectorAll("[data-item]")].map((one) => one.dataset.item).join(",");
  const { version } = document.querySelector("#items").dataset;
  window.htmx.ajax("POST", list.dataset.order, { target: "#items", swap: "outerHTML", values: { order, version } });
}

// After a step by button the focus stays on the button that was pressed.
let focused = "";
document.addEventListener("htmx:beforeRequest", (event) => { focused = document.activeElement?.id ?? ""; });
document.addEventListener("htmx:afterSettle", () => { if (focused) document.getElementById(focused)?.focus({ preventScroll: false }); });
