// One picture over the whole window: arrow keys, swipe, Escape. Without this module a picture opens as a file.

const links = [...document.querySelectorAll("a[data-look]")];
let dialog, image, caption, at = 0;

function build() {
  dialog = document.createElement("dialog");
  dialog.className = "full";
  dialog.setAttribute("aria-label", "One picture");
  image = document.createElement("img");
  const words = document.createElement("div");
  words.className = "words";
  caption = document.createElement("p");
  caption.setAttribute("role", "status");
  const moves = document.createElement("span");
  for (const [label, act] of [["Before", () => show(at - 1)], ["Next", () => show(at + 1)], ["Close", () => dialog.close()]]) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = label;
    button.addEventListener("click", act);
    moves.append(button);
  }
  words.append(caption, moves);
  dialog.append(image, words);
  dialog.addEventListener("keydown", (event) => {
    const step = { ArrowRight: 1, ArrowDown: 1, PageDown: 1, ArrowLeft: -1, ArrowUp: -1, PageUp: -1 }[event.key];
    if (step) { event.preventDefault(); show(at + step); }
    if (event.key === "Home") { event.preventDefault(); show(0); }
    if (event.key === "End") { event.preventDefault(); show(links.length - 1); }
  });
  let begin = null;
  dialog.addEventListener("touchstart", (event) => { begin = event.touches.length === 1 ? event.touches[0].clientX : null; }, { passive: true });
  dialog.addEventListener("touchend", (event) => {
    if (begin === null) return;
    const moved = event.changedTouches[0].clientX - begin;
    if (Math.abs(moved) > 48) show(at + (moved < 0 ? 1 : -1));
  });
  dialog.addEventListener("close", () => {
    links[at].focus({ preventScroll: true });
    links[at].scrollIntoView({ block: "center" });
  });
  document.body.append(dialog);
}

function show(next) {
  at = (next + links.length) % links.length;
  const small = links[at].querySelector("img");
  const words = links[at].closest("figure").querySelector(".caption")?.textContent ?? "";
  image.srcset = small.srcset;
  image.sizes = "100vw";
  image.src = links[at].href;
  image.alt = small.alt;
  caption.textContent = `${at + 1} of ${links.length}${words ? `, ${words}` : ""}`;
  const ahead = new Image();
  const following = links[(at + 1) % links.length].querySelector("img");
  ahead.sizes = "100vw";
  ahead.srcset = following.srcset;
}

document.addEventListener("click", (event) => {
  const link = event.target.closest("a[data-look]");
  if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
  event.preventDefault();
  if (!dialog) build();
  show(links.indexOf(link));
  dialog.showModal();
});
