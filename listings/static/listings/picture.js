// The plumb line between before and after, the values beside the controls, and the page's keys.

const compare = document.querySelector("[data-compare]");
const line = compare?.querySelector("input[type=range]");

if (line) {
  const pair = compare.querySelector(".pair-of-pictures");
  const show = () => pair.style.setProperty("--at", `${line.value}%`);
  compare.classList.add("live");
  line.hidden = false;
  line.addEventListener("input", show);
  show();
  const whole = (on) => (event) => {
    const isTyping = event.target.closest("select, textarea, input:not([type=range])");
    if (event.key.toLowerCase() === "b" && !isTyping) compare.classList.toggle("whole", on);
  };
  document.addEventListener("keydown", whole(true));
  document.addEventListener("keyup", whole(false));
}

for (const output of document.querySelectorAll("[data-controls] output")) {
  const input = document.getElementById(output.htmlFor.value);
  const show = () => {
    const value = Number(input.value);
    const sign = "signed" in output.dataset && value > 0 ? "+" : "";
    output.value = "percent" in output.dataset ? `${Math.round(value * 100)} %` : `${sign}${value.toFixed(1)}${output.dataset.unit}`;
  };
  input.addEventListener("input", show);
  show();
}

document.addEventListener("keydown", (event) => {
  if (event.target.closest("input, select, textarea") || event.ctrlKey || event.metaKey || event.altKey) return;
  const link = document.querySelector(`a[data-key="${CSS.escape(event.key)}"]`);
  if (link && (!event.key.startsWith("Arrow") || event.shiftKey)) {
    event.preventDefault();
    link.click();
  }
});
