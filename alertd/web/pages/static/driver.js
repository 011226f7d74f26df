// Taps that find no network wait on this device with their own time, and are sent when there is one.
"use strict";
const WAITING = "alertd-waiting";
const status = document.getElementById("done");
const words = document.body.dataset;

function waiting() {
  try { return JSON.parse(localStorage.getItem(WAITING)) || []; } catch { return []; }
}
function keep(list) {
  if (list.length) localStorage.setItem(WAITING, JSON.stringify(list));
  else localStorage.removeItem(WAITING);
}
async function send(tap) {
  return fetch(tap.to, {
    method: "POST",
    headers: { "Content-Type": "application/x-www-form-urlencoded", "Accept": "application/json" },
    body: tap.body,
  });
}
let flushing = false;
async function flush() {
  if (flushing) return;
  flushing = true;
  let sent = 0;
  try {
    for (let list = waiting(); list.length; list = waiting()) {
      const answer = await send(list[0]);
      if (answer.status >= 500 || answer.status === 408 || answer.status === 429) break;
      keep(waiting().slice(1));
      if (answer.ok) sent += 1;
      else status.textContent = words.failed + " (" + answer.status + ")";
    }
  } catch {
    // still no network
  }
  flushing = false;
  const left = waiting().length;
  if (left) status.textContent = words.queued + " (" + left + ")";
  else if (sent) location.replace(location.pathname);
}
for (const form of document.querySelectorAll(".taps form, form.queued")) {
  form.addEventListener("submit", (event) => {
    const button = event.submitter;
    if (!button && form.querySelector("button[name]")) return; // an old browser sends it itself, with the button
    event.preventDefault();
    const fields = new URLSearchParams(new FormData(form));
    if (button && button.name) fields.set(button.name, button.value);
    fields.set("at", new Date().toISOString());
    keep([...waiting(), { to: form.action, body: fields.toString() }]);
    (button || form.querySelector("button")).classList.add("is");
    status.textContent = words.queued;
    flush();
  });
}
// Paper has all lists: a closed one is not printed.
addEventListener("beforeprint", () => {
  for (const list of document.querySelectorAll(".checks details")) list.open = true;
});
addEventListener("online", flush);
setInterval(flush, 30000);
flush();

const offline = document.getElementById("offline");
async function reach() {
  // A page out of the worker's store says so: it is as old as its own "as of".
  try {
    const answer = await fetch(location.pathname, { method: "HEAD", cache: "no-store" });
    offline.hidden = answer.headers.get("x-from-store") === null;
  } catch {
    offline.hidden = false;
  }
  offline.textContent = words.offline;
}
reach();
addEventListener("offline", reach);
addEventListener("online", reach);
if ("serviceWorker" in navigator) {
  navigator.serviceWorker.register("/pages/worker.js", { scope: "/d/" }).catch(() => {});
}
