// When the daemon says that the board has changed, fetch it and put in what differs; the rest stays as it is.
"use strict";
const live = document.getElementById("live");

async function renew() {
  const answer = await fetch(location.href, { headers: { "Accept": "text/html" } });
  if (!answer.ok || answer.redirected) { location.reload(); return; }
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  for (const id of ["head", "look", "map", "passes", "leaving", "data"]) {
    const [old, now] = [document.getElementById(id), fresh.getElementById(id)];
    if (old && now && old.innerHTML !== now.innerHTML) old.replaceWith(document.adoptNode(now));
  }
  const rows = document.getElementById("rows"), wanted = document.adoptNode(fresh.getElementById("rows"));
  const known = new Map([...rows.querySelectorAll("tr[data-v]")].map((row) => [row.id, row]));
  for (const row of wanted.querySelectorAll("tr[data-v]")) {
    const old = known.get(row.id);
    if (old && old.dataset.v === row.dataset.v) row.replaceWith(old);
    else if (old) row.classList.add("fresh");
  }
  rows.replaceWith(wanted);
}

let first = true;
const stream = new EventSource("/board/events");
stream.addEventListener("board", () => {
  live.textContent = "";
  if (!first) renew();
  first = false;
});
stream.addEventListener("error", () => {
  live.textContent = "Not connected: this board may be old. Trying again.";
  first = false;
});
