// Makes the page quicker to use; everything works without it.
"use strict";

const EVERY_MS = 3000;
let pulse = null;

// A form goes once, however often a glove hits the button.
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.dataset.sent) {
    event.preventDefault();
    return;
  }
  form.dataset.sent = "yes";
  setTimeout(() => delete form.dataset.sent, 4000);
});

// Somebody who writes, or has opened a table, is not to lose it.
function busy() {
  const at = document.activeElement;
  if (at && at.matches("input:not([type=radio]), textarea, select")) return true;
  return [...document.querySelectorAll("main input, main textarea")].some((one) =>
    one.type === "radio" ? one.checked !== one.defaultChecked : one.value !== one.defaultValue);
}

function pictures() {
  return [...document.querySelectorAll("main img")];
}

// A picture that is drawn anew takes a moment; what somebody reads below it is not to jump.
function keepRoom(picture, height) {
  if (!height || picture.complete) return;
  picture.style.minHeight = `${height}px`;
  picture.addEventListener("load", () => { picture.style.minHeight = ""; }, { once: true });
}

// The same page anew, in the place of what has changed; what was open and focused stays so.
async function renew() {
  const answer = await fetch(location.href, { headers: { accept: "text/html" } });
  if (!answer.ok) return;
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  if (busy()) return;
  const open = [...document.querySelectorAll("main details")].map((one) => one.open);
  const focused = document.activeElement && document.activeElement.id;
  const tall = new Map(pictures().map((one) => [one.getAttribute("src"), one.offsetHeight]));
  for (const part of ["main", "footer.foot"]) {
    const [here, there] = [document.querySelector(part), fresh.querySelector(part)];
    if (here && there) here.replaceChildren(...there.childNodes);
  }
  pictures().forEach((one) => keepRoom(one, tall.get(one.getAttribute("src"))));
  document.querySelectorAll("main details").forEach((one, n) => { one.open = Boolean(open[n]); });
  if (focused && document.getElementById(focused)) document.getElementById(focused).focus({ preventScroll: true });
}

// A page that renews itself by other means says so: <main data-live>.
async function look() {
  if (document.hidden || document.querySelector("main[data-live]")) return;
  try {
    const answer = await fetch(document.body.dataset.pulse);
    if (!answer.ok) return;
    const now = (await answer.json()).pulse;
    if (pulse !== null && now !== pulse && !busy()) await renew();
    if (!busy()) pulse = now;
  } catch {
    // The page's server is away; the next look will tell.
  }
}

setInterval(look, EVERY_MS);
look();
