// Keeps the view of the present in step with the server, and says so plainly when it is not.
"use strict";

const all = document.getElementById("now-all");
const lost = document.getElementById("now-lost");
const spokenAt = document.getElementById("now-spoken");
document.getElementById("main").dataset.live = ""; // page.js need not renew what renews itself
const SILENT_MS = 12000; // two beats of the server and some to spare
const said = new Map();
const TURNED_UP = "breakhorn-turned-up "; // and a machine: this page was loaded anew for it
let ahead = Number(all.dataset.at) - Date.now(); // the server's clock less ours
let heard = performance.now();
let source = null;

function show(live) {
  lost.hidden = live;
  document.documentElement.dataset.live = live ? "yes" : "no";
}

function take(event) {
  const told = JSON.parse(event.data);
  ahead = told.at - Date.now();
  heard = performance.now();
  show(true);
  return told;
}

// A machine that turned up belongs to this page, and into the links at its head. Once only: the page itself may not
// list it, while the store has just lost it or cannot be read.
function turnedUp(machine) {
  if (all.classList.contains("alone") || sessionStorage.getItem(TURNED_UP + machine)) return;
  sessionStorage.setItem(TURNED_UP + machine, "yes");
  location.reload();
}

function changed(event) {
  for (const [machine, [html, spoken]] of Object.entries(take(event).machines)) {
    const place = all.querySelector(`[data-machine="${CSS.escape(machine)}"]`);
    if (place === null) {
      turnedUp(machine);
      continue;
    }
    sessionStorage.removeItem(TURNED_UP + machine);
    place.innerHTML = html; // drawn and escaped by the server, as the page itself was
    if (said.has(machine) && said.get(machine) !== spoken) spokenAt.textContent = spoken;
    said.set(machine, spoken);
  }
  tick();
}

function open() {
  if (source !== null) source.close();
  source = new EventSource(all.dataset.stream);
  source.addEventListener("now", changed);
  source.addEventListener("beat", take);
  source.addEventListener("error", () => show(false));
}

function running(ms) {
  const seconds = Math.max(0, Math.floor(ms / 1000));
  const two = (n) => String(n).padStart(2, "0");
  const days = Math.floor(seconds / 86400);
  const hours = Math.floor(seconds / 3600) % 24;
  const minutes = Math.floor(seconds / 60) % 60;
  if (days) return `${days} d ${hours}:${two(minutes)}`;
  return hours ? `${hours}:${two(minutes)}:${two(seconds % 60)}` : `${minutes}:${two(seconds % 60)}`;
}

function tick() {
  if (performance.now() - heard > SILENT_MS) {
    show(false);
    if (source.readyState === EventSource.CLOSED || performance.now() - heard > 3 * SILENT_MS) {
      heard = performance.now() - SILENT_MS; // one try each time this long
      open();
    }
  }
  if (document.documentElement.dataset.live === "no") return; // a clock that runs on would look alive
  for (const clock of all.querySelectorAll(".now-one:not(.past) [data-since]")) {
    clock.textContent = running(Date.now() + ahead - Number(clock.dataset.since));
  }
}

open();
setInterval(tick, 1000);
