// The page on site: every tick is shown at once, kept on the phone, and sent when there is signal.
// Each act has its own identifier, so sending one twice does no harm. Without this module the same forms
// work as plain forms.

const root = document.querySelector("[data-acts]");
const here = document.querySelector(".line [aria-current]");
here?.scrollIntoView({ block: "nearest", inline: "center" });

function uuid() {
  if (crypto.randomUUID) return crypto.randomUUID();
  const b = crypto.getRandomValues(new Uint8Array(16));
  b[6] = (b[6] & 0x0f) | 0x40;
  b[8] = (b[8] & 0x3f) | 0x80;
  const hex = [...b].map((n) => n.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
}

function stored(key, fallback) {
  try { return JSON.parse(localStorage.getItem(key)) ?? fallback; } catch { return fallback; }
}
function store(key, value) { localStorage.setItem(key, JSON.stringify(value)); }

const queueKey = root && `acts-${root.dataset.visit}`;
const device = stored("device", null) ?? uuid();
if (root) store("device", device);

function newAct(fields) {
  const sequence = stored("sequence", 0) + 1;
  store("sequence", sequence);
  return { uuid: uuid(), device, sequence, happened_ms: Date.now(), ...fields };
}

// --- what a tap shows ------------------------------------------------------------------------------------
function show(act) {
  const row = act.item && document.querySelector(`[data-item="${act.item}"]`);
  if (row) showItem(row, act);
  if (act.kind === "ready" && act.room === root.dataset.room) {
    document.querySelectorAll(".ticks [data-item]").forEach((tick) => showItem(tick, { kind: "tick" }));
  }
  if (act.kind === "note" && (act.room ?? "") === (root.dataset.room ?? "")) {
    const entry = document.createElement("li");
    entry.textContent = act.text;
    document.querySelector("[data-notes]")?.append(entry);
  }
  const told = document.querySelector("[data-told]");
  if (told && act.kind in TELLING) {
    const at = new Date(act.happened_ms);
    told.textContent = `${TELLING[act.kind](act.text)}, said at ${at.getHours()}:${String(at.getMinutes()).padStart(2, "0")}.`;
  }
  recount();
}

const TELLING = { "on-my-way": () => "On my way", late: (minutes) => `${minutes} min late` };

function showItem(row, act) {
  const isDone = act.kind === row.dataset.done;
  const isWaived = act.kind === "waive";
  row.querySelector(".tick").setAttribute("aria-pressed", String(isDone));
  row.querySelector('[data-act="item"] [name="kind"]').value = isDone ? row.dataset.undo : row.dataset.done;
  row.dataset.settled = isDone || isWaived ? "yes" : "";
  const word = row.querySelector("[data-word]");
  if (word) word.textContent = isWaived ? `waived: ${act.text}` : isDone ? "taken" : "required" in row.dataset ? "" : "if you like";
  const more = row.querySelector("details");
  if (more && isWaived) more.open = false;
}

function recount() {
  const rows = [...document.querySelectorAll("[data-required]")];
  if (!root.dataset.room || !rows.length) return;
  const open = rows.filter((row) => row.dataset.settled !== "yes");
  const words = open.length ? `${open.length} to take` : "taken";
  document.querySelector("[data-counts]").textContent = words;
  const stop = document.querySelector(`[data-words="${root.dataset.room}"]`);
  if (stop) stop.textContent = words;
}

// --- what is sent -------------------------------------------------------------------------------------------
let isSending = false;

async function flush() {
  const acts = stored(queueKey, []);
  if (!acts.length || isSending) return report();
  isSending = true;
  try {
    const answer = await fetch(root.dataset.acts, {
      method: "POST",
      headers: { "content-type": "application/json", "x-csrftoken": root.dataset.csrf },
      body: JSON.stringify({ sent_ms: Date.now(), acts: acts.slice(0, 200) }),
      redirect: "manual",
    });
    if (answer.ok) {
      const { results } = await answer.json();
      store(queueKey, stored(queueKey, []).filter((act) => !(act.uuid in results)));
      const refused = Object.values(results).filter((words) => words.startsWith("refused"));
      report(refused.join(" "));
    } else {
      report(answer.type === "opaqueredirect" || answer.status === 403
        ? "You are signed out. What you ticked is kept on this phone: sign in, then come back here."
        : `The studio answered ${answer.status}. What you ticked is kept on this phone and sent again.`);
    }
  } catch {
    report();
  } finally {
    isSending = false;
  }
  if (stored(queueKey, []).length) setTimeout(flush, 10000);
}

function report(words = "") {
  const line = document.querySelector("[data-unsent]");
  const count = stored(queueKey, []).length;
  if (!line) return;
  line.textContent = words || `No signal: ${count} not sent yet. They are kept on this phone and sent when there is signal.`;
  line.hidden = !words && count === 0;
}

function keep(act) {
  store(queueKey, [...stored(queueKey, []), act]);
  show(act);
  flush();
}

if (root) {
  document.addEventListener("submit", (event) => {
    const form = event.target.closest("form[data-act]");
    if (!form) return;
    event.preventDefault();
    const data = new FormData(form);
    const text = (data.get("text") || data.get("reason") || "").trim();
    keep(newAct({ kind: data.get("kind"), item: data.get("item") || null, room: data.get("room") || null, text }));
    if (form.dataset.act === "note") form.reset();
  });
  // Nobody leaves before what was ticked has arrived.
  document.querySelector("form[data-leave]")?.addEventListener("submit", async (event) => {
    if (!stored(queueKey, []).length) return;
    event.preventDefault();
    await flush();
    if (!stored(queueKey, []).length) event.target.submit();
  });
  stored(queueKey, []).forEach(show);
  flush();
  addEventListener("online", flush);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) flush(); });
}
