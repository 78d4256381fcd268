// Keeps the page live: parts of panels are put in the place of those that changed, so that a focus or a finger stays where it is.
"use strict";
const alive = document.getElementById("alive");
const sound = document.getElementById("sound");
const calls = new Map();
let audio = null;

function ring() {
  if (!audio) return;
  for (let n = 0; n < 3; n++) {
    const tone = audio.createOscillator(), level = audio.createGain(), at = audio.currentTime + n * 0.35;
    tone.frequency.value = 620 + 160 * (n % 2);
    level.gain.setValueAtTime(0.25, at);
    level.gain.exponentialRampToValueAtTime(0.001, at + 0.3);
    tone.connect(level).connect(audio.destination);
    tone.start(at); tone.stop(at + 0.3);
  }
}

function say(text) { if (alive.textContent !== text) alive.textContent = text; }

function count() {
  const places = document.getElementById("places");
  places.dataset.n = places.querySelectorAll("article").length;
}

function put(id, html) {
  const box = document.createElement("template");
  box.innerHTML = html;
  const fresh = box.content.firstElementChild, old = document.getElementById(id);
  const call = fresh.dataset.call || "";
  if (call && calls.get(id) !== call) {
    ring();
    const said = [fresh.querySelector("h2"), fresh.querySelector(".word")].map((part) => part.textContent.trim());
    document.getElementById("call").textContent = said.join(": ");  // read out at once, with whose it is
  }
  calls.set(id, call);
  if (!old) {
    document.getElementById("none")?.remove();
    document.getElementById("places").append(fresh);
    count();
    return;
  }
  old.className = fresh.className;
  old.dataset.call = call;
  for (const part of fresh.querySelectorAll("[data-part]")) {
    const place = old.querySelector(`[data-part="${part.dataset.part}"]`);
    const own = place?.querySelector(".end"), now = part.querySelector(".end");
    if (own && now && place.contains(document.activeElement)) {  // a button that is replaced or disabled loses its focus
      own.setAttribute("aria-disabled", now.getAttribute("aria-disabled"));
      continue;
    }
    if (place && place.innerHTML !== part.innerHTML) place.innerHTML = part.innerHTML;
  }
}

for (const panel of document.querySelectorAll("article")) calls.set(panel.id, panel.dataset.call || "");
const live = new EventSource("/live" + location.search);
let heard = Date.now();
live.addEventListener("panel", (event) => { const data = JSON.parse(event.data); heard = Date.now(); put(data.id, data.html); });
live.addEventListener("waits", (event) => {
  heard = Date.now();
  const box = document.getElementById("waits"), html = JSON.parse(event.data).html;
  if (box.innerHTML !== html) box.innerHTML = html;
});
live.addEventListener("gone", (event) => { document.getElementById(JSON.parse(event.data).id)?.remove(); count(); });
live.addEventListener("beat", () => { heard = Date.now(); });
setInterval(() => say(Date.now() - heard < 3000 ? "Live." : "NOT LIVE: the bench computer does not answer. What stands here is old."), 500);

sound?.addEventListener("click", () => {
  audio = audio ? (audio.close(), null) : new AudioContext();
  sound.setAttribute("aria-pressed", String(Boolean(audio)));
  sound.textContent = audio ? "Sound is on" : "Sound is off";
  ring();
});

document.addEventListener("submit", async (event) => {
  if (!event.target.action.endsWith("/end")) return;
  event.preventDefault();
  if (event.target.querySelector('[aria-disabled="true"]')) return;
  await fetch(event.target.action, { method: "POST", headers: { "X-Bench": "1" } });
});
