// Brings a folder of hundreds of files in: tus 1.0, a few at a time, resumed after a cut or a reload.
// Works on the form [data-intake]; without this module the form itself sends the files.

import "./vendor/tus-js-client-4.3.1/tus.min.js";

const { Upload, defaultOptions } = window.tus;
const AT_ONCE = 3;
const WAITS_MS = [0, 1000, 3000, 5000, 10000, 20000, 30000, 60000];
const FINAL = [400, 403, 404, 410, 413, 415, 460, 507];
const SUM_UP_TO = 400e6; // larger files would fill the browser's memory; the server sums them anyway
const DAMAGED_TRIES = 2;

const form = document.querySelector("[data-intake]");
const csrf = () => form.querySelector("[name=csrfmiddlewaretoken]").value;
const part = (name) => document.querySelector(`[data-part="${name}"]`);
const plural = (count, word) => `${count} ${word}${count === 1 ? "" : "s"}`;
const sizeWords = (bytes) => bytes < 1e6 ? `${Math.ceil(bytes / 1e3)} kB` : (bytes < 1e9 ? `${(bytes / 1e6).toFixed(0)} MB` : `${(bytes / 1e9).toFixed(1)} GB`);

const entries = [];
let batch = "";
let paused = false;
let running = 0;
let samples = [];

// --- choosing ---------------------------------------------------------------------------------------
function pathOf(file) {
  return file.droppedPath || file.webkitRelativePath || file.name;
}

function fingerprint(file) {
  return ["mullion", form.dataset.visit, pathOf(file), file.size, file.lastModified].join(" ");
}

function take(files) {
  if (!batch || entries.every((entry) => entry.isOver)) batch = crypto.randomUUID?.() ?? fallbackId();
  const there = new Set(entries.filter((entry) => !entry.isFailed).map((entry) => fingerprint(entry.file)));
  const wanted = [...files].filter((file) => !file.name.startsWith(".") && !there.has(fingerprint(file)));
  wanted.sort((a, b) => pathOf(a).localeCompare(pathOf(b), undefined, { numeric: true }));
  for (const file of wanted) {
    const entry = { file, sent: 0, state: "waiting", words: "Waiting", tries: 0, isOver: false, isFailed: false, isLeft: false };
    entry.row = rowFor(entry);
    entries.push(entry);
  }
  part("transfer").hidden = entries.length === 0;
  show();
  next();
}

function fallbackId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 15) | 64;
  bytes[8] = (bytes[8] & 63) | 128;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
}

async function dropped(transfer) {
  const roots = [...transfer.items].map((item) => item.webkitGetAsEntry?.()).filter(Boolean);
  if (!roots.length) return [...transfer.files];
  const found = [];
  for (const root of roots) await walk(root, "", found);
  return found;
}

async function walk(entry, folder, found) {
  if (entry.isFile) {
    const file = await new Promise((resolve, reject) => entry.file(resolve, reject));
    file.droppedPath = folder + file.name;
    found.push(file);
    return;
  }
  const reader = entry.createReader();
  for (;;) {
    const some = await new Promise((resolve, reject) => reader.readEntries(resolve, reject));
    if (!some.length) return;
    for (const inner of some) await walk(inner, `${folder}${entry.name}/`, found);
  }
}

// --- sending ----------------------------------------------------------------------------------------
function next() {
  while (!paused && running < AT_ONCE) {
    const entry = entries.find((one) => one.state === "waiting");
    if (!entry) break;
    running += 1;
    send(entry).finally(() => {
      running -= 1;
      show();
      next();
    });
  }
  if (!running && entries.length && entries.every((entry) => entry.isOver)) finishBatch();
}

async function send(entry) {
  entry.isOver = entry.isFailed = false;
  try {
    tell(entry, "checking", "Summing up");
    entry.sum ??= await sumOf(entry.file);
    if (entry.sum && (await isKnown(entry))) return over(entry, "known", "Already stored: the same bytes are in this visit.");
    if (paused) return tell(entry, "waiting", "Paused");
    await transfer(entry);
  } catch (error) {
    fail(entry, wordsFor(error));
  }
}

async function sumOf(file) {
  if (!crypto.subtle || file.size > SUM_UP_TO) return "";
  const sum = await crypto.subtle.digest("SHA-256", await file.arrayBuffer());
  return [...new Uint8Array(sum)].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

async function isKnown(entry) {
  const listed = JSON.stringify([{ name: pathOf(entry.file), size: entry.file.size, sha256: entry.sum }]);
  try {
    const answer = await post(form.dataset.known, { listed, batch });
    return answer.ok && (await answer.json()).known.length > 0;
  } catch {
    return false; // no connection just now: the upload itself tries again and finds out
  }
}

function post(address, fields) {
  return fetch(address, {
    method: "POST",
    headers: { "X-CSRFToken": csrf(), Accept: "application/json" },
    body: new URLSearchParams(fields),
  });
}

function transfer(entry) {
  return new Promise((resolve) => {
    const upload = new Upload(entry.file, {
      endpoint: form.dataset.uploads,
      headers: { "X-CSRFToken": csrf() },
      retryDelays: WAITS_MS,
      removeFingerprintOnSuccess: true,
      fingerprint: async (file) => fingerprint(file),
      metadata: {
        filename: entry.file.name,
        relativePath: pathOf(entry.file),
        modified: String(entry.file.lastModified),
        batch,
        sha256: entry.sum,
      },
      onShouldRetry: (error) => {
        const status = error.originalResponse?.getStatus() ?? 0;
        if (!FINAL.includes(status)) tell(entry, "sending", "No connection; trying again");
        return !FINAL.includes(status);
      },
      onProgress: (sent) => {
        entry.sent = sent;
        tell(entry, "sending", "Sending");
      },
      onSuccess: ({ lastResponse }) => {
        settle(entry, lastResponse);
        resolve();
      },
      onError: (error) => {
        if (error.originalResponse?.getStatus() === 460 && entry.tries++ < DAMAGED_TRIES) {
          tell(entry, "waiting", "Arrived damaged; sending it again");
        } else if (error.originalResponse?.getStatus() === 415) {
          entry.isLeft = true;
          over(entry, "left", wordsFor(error));
        } else {
          fail(entry, wordsFor(error));
        }
        resolve();
      },
    });
    entry.pause = () => {
      upload.abort();
      tell(entry, "waiting", "Paused");
      resolve();
    };
    upload.findPreviousUploads().then((before) => {
      if (before.length) upload.resumeFromPreviousUpload(before[0]);
      tell(entry, "sending", before.length ? "Going on where it stopped" : "Sending");
      upload.start();
    });
  });
}

function settle(entry, response) {
  const reason = decodeURIComponent(response?.getHeader("Upload-Reason") || "");
  const result = response?.getHeader("Upload-Result") || "stored";
  if (result === "known") over(entry, "known", reason || "Already stored.");
  else if (result === "refused") fail(entry, reason || "Not taken.");
  else over(entry, "stored", "Stored and verified");
}

function wordsFor(error) {
  const response = error.originalResponse;
  const reason = response?.getHeader("Upload-Reason");
  if (reason) return decodeURIComponent(reason);
  const status = response?.getStatus();
  if (status === 403 || status === 404) return "You are no longer signed in here. Sign in again in another tab, then try again.";
  if (error.name === "NotReadableError" || error.name === "NotFoundError")
    return "The browser can't read this file any more. Was the card taken out? Choose the files again.";
  return "The connection is gone. What has arrived is kept; try again when it is back.";
}

async function finishBatch() {
  if (!entries.some((entry) => entry.state === "stored" && !entry.isTold)) return;
  entries.forEach((entry) => (entry.isTold = true));
  await post(form.dataset.close, {}).catch(() => {}); // else the visit settles by itself a minute later
  document.body.dispatchEvent(new Event("intake-changed"));
}

// --- showing ----------------------------------------------------------------------------------------
function rowFor(entry) {
  const row = part("file").content.firstElementChild.cloneNode(true);
  row.querySelector("[data-name]").textContent = pathOf(entry.file);
  row.querySelector("[data-size]").textContent = sizeWords(entry.file.size);
  row.querySelector("progress").max = entry.file.size || 1;
  row.querySelector("progress").value = 0;
  row.querySelector("[data-words]").textContent = entry.words;
  row.querySelector("progress").setAttribute("aria-label", pathOf(entry.file));
  row.querySelector("button").addEventListener("click", () => {
    tell(entry, "waiting", "Waiting");
    next();
  });
  part("files").append(row);
  return row;
}

function over(entry, state, words) {
  entry.sent = entry.file.size;
  entry.isOver = true;
  tell(entry, state, words);
}

function fail(entry, words) {
  entry.isOver = entry.isFailed = true;
  tell(entry, "failed", words);
  part("files").prepend(entry.row);
}

function tell(entry, state, words) {
  entry.state = state;
  const { row } = entry;
  row.querySelector("progress").value = entry.sent;
  row.querySelector("progress").hidden = entry.isOver;
  row.querySelector("[data-words]").textContent = words;
  row.querySelector("[data-words]").classList.toggle("stop-text", state === "failed");
  row.querySelector("button").hidden = state !== "failed";
  show();
}

let shown = 0;
function show() {
  if (shown) return;
  shown = requestAnimationFrame(() => {
    shown = 0;
    const sum = (key) => entries.reduce((total, entry) => total + key(entry), 0);
    const bytes = sum((entry) => entry.file.size);
    const sent = sum((entry) => (entry.isFailed ? entry.file.size : entry.sent));
    const safe = sum((entry) => (entry.isOver && !entry.isFailed && !entry.isLeft ? 1 : 0));
    const left = sum((entry) => (entry.isLeft ? 1 : 0));
    const failed = sum((entry) => (entry.isFailed ? 1 : 0));
    part("total").max = bytes || 1;
    part("total").value = sent;
    part("count").textContent = headline(entries.length - left, safe, failed, left);
    part("left").textContent = timeLeft(bytes, sent);
    part("pause").textContent = paused ? "Go on" : "Pause";
    part("pause").hidden = entries.every((entry) => entry.isOver);
    const retry = part("retry");
    retry.hidden = !failed;
    retry.textContent = `Try ${plural(failed, "file")} again`;
  });
}

function headline(all, safe, failed, left) {
  const one = " 1 file is no picture and stayed where it was.";
  const aside = left > 1 ? ` ${left} files are no pictures and stayed where they were.` : left ? one : "";
  if (!all) return aside.trim();
  if (safe === all) return `${all === 1 ? "The file is" : `All ${all} files are`} stored and verified.${aside}`;
  const more = failed ? ` ${plural(failed, "file")} not, see below.` : "";
  return `${safe} of ${plural(all, "file")} stored and verified.${more}${aside}`;
}

function timeLeft(bytes, sent) {
  const now = performance.now();
  samples.push([now, sent]);
  samples = samples.filter(([at]) => now - at < 15000);
  const [at, before] = samples[0];
  const speed = ((sent - before) / (now - at)) * 1000;
  if (paused || !(speed > 0) || sent >= bytes) return `${sizeWords(sent)} of ${sizeWords(bytes)}`;
  const minutes = (bytes - sent) / speed / 60;
  const left = minutes < 1 ? "less than a minute left" : `about ${plural(Math.ceil(minutes), "minute")} left`;
  return `${sizeWords(sent)} of ${sizeWords(bytes)}, ${(speed / 1e6).toFixed(1)} MB/s, ${left}`;
}

// --- listening --------------------------------------------------------------------------------------
if (form && defaultOptions) {
  form.querySelector("[data-plain]").hidden = true;
  form.querySelector("[data-live]").hidden = false;
  for (const input of form.querySelectorAll("input[type=file]")) {
    input.addEventListener("change", () => {
      take(input.files);
      input.value = "";
    });
  }
  for (const button of form.querySelectorAll("[data-choose]")) {
    button.addEventListener("click", () => form.querySelector(`#${button.dataset.choose}`).click());
  }
  for (const type of ["dragenter", "dragover", "dragleave", "drop"]) {
    form.addEventListener(type, (event) => {
      event.preventDefault();
      form.classList.toggle("over", type === "dragenter" || type === "dragover");
    });
  }
  form.addEventListener("drop", async (event) => take(await dropped(event.dataTransfer)));
  form.addEventListener("submit", (event) => event.preventDefault());
  part("pause").addEventListener("click", () => {
    paused = !paused;
    if (paused) entries.filter((entry) => entry.state === "sending").forEach((entry) => entry.pause());
    show();
    next();
  });
  part("retry").addEventListener("click", () => {
    entries.filter((entry) => entry.isFailed).forEach((entry) => {
      entry.isOver = entry.isFailed = false;
      tell(entry, "waiting", "Waiting");
    });
    next();
  });
  window.addEventListener("beforeunload", (event) => {
    if (entries.some((entry) => !entry.isOver)) event.preventDefault();
  });
}
