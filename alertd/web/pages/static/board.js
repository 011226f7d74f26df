// When the daemon says that the board has changed, fetch it and put in what differs; the rest stays as it is.
"use strict";
const live = document.getElementById("live");

async function renew() {
  const answer = await fetch(location.href, { headers: { "Accept": "text/html" } });
  if (!answer.ok || answer.redirected) { location.reload(); return; }
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  for (const id of ["head", "leaving", "data"]) {
    const [old, now] = [document.getElementById(id), fresh.getElementById(id)];
    if (old && now && old.innerHTML !== now.innerHTML) old.replaceWith(document.adoptNode(now));
  }
  const rows = document.getElementById("rows");
  const wanted = [...fresh.getElementById("rows").children];
  const known = new Map([...rows.children].map((row) => [row.id, row]));
  wanted.forEach((row, i) => {
    const old = known.get(row.id);
    const same = old && old.dataset.v === row.dataset.v;
    const put = same ? old : document.adoptNode(row);
    if (old && !same) { put.classList.add("fresh"); old.remove(); }
    known.delete(row.id);
    if (rows.children[i] !== put) rows.insertBefore(put, rows.children[i] || null);
  });
  for (const gone of known.values()) gone.remove();
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
