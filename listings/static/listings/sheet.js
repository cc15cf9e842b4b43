// Keys of the sheet: arrows, Enter, M (mark), A (all), P (place). Everything works without them too.

const sheet = document.querySelector("[data-sheet]");
const views = () => [...document.querySelectorAll("[data-picture]")];
const linkOf = (view) => view.querySelector("a.frame");
const markOf = (view) => view.querySelector("input[type=checkbox]");

function present() {
  return views().findIndex((view) => view.contains(document.activeElement));
}

function go(to) {
  const all = views();
  const view = all[Math.max(0, Math.min(all.length - 1, to))];
  if (!view) return;
  linkOf(view).focus({ preventScroll: true });
  view.scrollIntoView({ block: "nearest" });
}

function rowStep(direction) {
  const all = views();
  const here = all[present()] ?? all[0];
  const from = here.getBoundingClientRect();
  const further = all.filter((view) => (view.getBoundingClientRect().top - from.top) * direction > 1);
  if (!further.length) return;
  const tops = further.map((view) => view.getBoundingClientRect().top);
  const nearest = direction > 0 ? Math.min(...tops) : Math.max(...tops);
  const row = further.filter((view) => Math.abs(view.getBoundingClientRect().top - nearest) < 1);
  const distance = (view) => Math.abs(view.getBoundingClientRect().left - from.left);
  go(all.indexOf(row.sort((a, b) => distance(a) - distance(b))[0]));
}

function mark(view, on = !markOf(view).checked) {
  markOf(view).checked = on;
  count();
}

function count() {
  const marked = views().filter((view) => markOf(view).checked).length;
  sheet.querySelector("[data-marked]").textContent = marked ? `${marked} marked` : "";
}

const keys = {
  ArrowRight: () => go(present() + 1),
  ArrowLeft: () => go(present() - 1),
  ArrowDown: () => rowStep(1),
  ArrowUp: () => rowStep(-1),
  m: () => present() >= 0 && mark(views()[present()]),
  a: () => {
    const on = views().some((view) => !markOf(view).checked);
    views().forEach((view) => mark(view, on));
  },
  p: () => sheet.querySelector("#place").focus(),
};

if (sheet) {
  document.addEventListener("keydown", (event) => {
    const isTyping = event.target.closest("select, textarea, input:not([type=checkbox])");
    const act = keys[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (!act || isTyping || event.ctrlKey || event.metaKey || event.altKey || !views().length) return;
    event.preventDefault();
    act();
  });
  sheet.addEventListener("change", count);
  count();
}
for (const select of document.querySelectorAll(".sentence select")) {
  select.addEventListener("change", () => select.form.requestSubmit());
}
