"use strict";
// Takes in what changed, says when it is no longer live, sounds at each change, and keeps what was typed.
const store = {
  get(key) { try { return localStorage.getItem(key); } catch { return null; } },
  set(key, value) { try { localStorage.setItem(key, value); } catch { /* private mode: nothing is kept */ } },
  drop(key) { try { localStorage.removeItem(key); } catch { /* as above */ } },
};
const own = "nightloader ";

// -- live parts
const line = document.getElementById("line");
let heard = 0;

function say(kind, words) {
  if (!line || (line.className === `line ${kind}` && line.querySelector(".words").textContent === words)) return;
  line.className = `line ${kind}`;
  line.querySelector(".words").textContent = words;
  document.body.classList.toggle("stale", kind === "lost");
}

function clock(at) { return new Date(at).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" }); }

function states() {
  return new Map([...document.querySelectorAll("[data-slot]")].map((s) => [s.dataset.slot, s.dataset.state]));
}

// How an element is found again when its part is written anew: who uses keys stays where they are.
function findable(element) {
  const by = ["id", "href", "name"].find((name) => element.getAttribute(name));
  return by ? `${element.localName}[${by}="${CSS.escape(element.getAttribute(by))}"]` : "";
}

function take(parts) {
  const before = states();
  for (const [name, html] of Object.entries(parts)) {
    const place = document.querySelector(`[data-part="${name}"]`);
    if (!place) continue;
    const focused = place.contains(document.activeElement) ? findable(document.activeElement) : "";
    place.innerHTML = html; // escaped by the server; the page's policy runs no script from it
    if (focused) place.querySelector(focused)?.focus({ preventScroll: true });
  }
  if (!("slots" in parts)) return;
  const after = states();
  for (const [slot, state] of after) if (before.get(slot) !== state) sound(state);
  for (const slot of before.keys()) if (!after.has(slot)) sound("gone");
}

function connect() {
  const source = new EventSource(`/events/${line.dataset.events}`);
  let first = true;
  source.addEventListener("parts", (event) => {
    alive();
    const parts = JSON.parse(event.data);
    if (first) silent = true;
    take(parts);
    silent = first = false;
    document.getElementById("trouble").hidden = true;
  });
  source.addEventListener("beat", alive);
  source.addEventListener("trouble", (event) => {
    alive();
    const place = document.getElementById("trouble");
    place.textContent = JSON.parse(event.data).words;
    place.hidden = false;
  });
  source.addEventListener("error", () => {
    if (source.readyState === EventSource.CLOSED) setTimeout(connect, 3000);
    check();
  });
}

function alive() { heard = Date.now(); say("live", "Live"); }

function check() {
  if (heard && Date.now() - heard > 12000) say("lost", `Not live since ${clock(heard)}. Look at the cart itself.`);
}

if (line) { say("", "Connecting"); connect(); setInterval(check, 2000); }

// -- sound: one tone pattern a state, made here
const tones = { reading: [392, 523], waiting: [330, 330], met: [523, 659, 784], short: [262, 196, 262], gone: [220] };
let audio = null, silent = false;
const button = document.getElementById("sound");

function sound(state) {
  if (silent || !button || button.getAttribute("aria-pressed") !== "true") return;
  audio ??= new AudioContext();
  (tones[state] ?? []).forEach((pitch, n) => {
    const tone = audio.createOscillator(), level = audio.createGain(), at = audio.currentTime + n * 0.22;
    tone.frequency.value = pitch;
    level.gain.setValueAtTime(0.25, at);
    level.gain.exponentialRampToValueAtTime(0.001, at + 0.2);
    tone.connect(level).connect(audio.destination);
    tone.start(at);
    tone.stop(at + 0.21);
  });
}

function press(on) {
  button.setAttribute("aria-pressed", String(on));
  button.textContent = `Sound at each change: ${on ? "on" : "off"}`;
}

// A browser lets a page sound only after a touch or a key: the first one wakes a sound that was left on.
for (const kind of ["pointerdown", "keydown"]) addEventListener(kind, () => audio?.resume());

if (button) {
  press(store.get(own + "sound") === "on");
  button.addEventListener("click", () => {
    const on = button.getAttribute("aria-pressed") !== "true";
    press(on);
    store.set(own + "sound", on ? "on" : "off");
    sound("waiting");
  });
}

// -- what was typed outlives a lost network and a closed page
function typed(form) {
  return [...new FormData(form)].filter(([name]) => name !== "form_token");
}

for (const form of document.querySelectorAll("form[data-keep]")) {
  const key = `${own}typed ${form.dataset.keep}`;
  const kept = JSON.parse(store.get(key) ?? "null");
  if (kept && !document.querySelector("[role=alert].wrong:not([hidden])")) {
    for (const [name, value] of kept) {
      const field = form.elements.namedItem(name);
      if (field && field.type !== "hidden" && value) field.value = value;
    }
  }
  form.addEventListener("input", () => store.set(key, JSON.stringify(typed(form))));
  if (!form.dataset.send) form.addEventListener("submit", () => store.drop(key));
}

// -- entries wait here until the cart has them
const queueKey = own + "to send";
const queue = () => JSON.parse(store.get(queueKey) ?? "[]");
const told = document.getElementById("sending");
const token = () => document.querySelector("meta[name=form-token]").content;
let sending = false;

function tell(words) { if (told) { told.textContent = words; told.hidden = !words; } }

async function send(fields) {
  const body = new URLSearchParams(fields);
  body.set("form_token", token());
  const answer = await fetch("/setups", { method: "POST", body, headers: { "X-Nightloader": "page" } });
  if (answer.status === 401 || answer.status === 403) throw new Error("pair");
  if (answer.status >= 500 || answer.status === 429) throw new Error("later");
  return answer.ok ? {} : (await answer.json()).wrong;
}

async function flush() {
  if (sending) return null;
  sending = true;
  try {
    while (queue().length) {
      const [first] = queue();
      const wrong = await send(first);
      store.set(queueKey, JSON.stringify(queue().slice(1)));
      if (Object.keys(wrong).length) return { wrong, fields: first };
    }
    return {};
  } catch (error) {
    const count = queue().length;
    const many = count === 1 ? "1 entry is" : `${count} entries are`;
    tell(error.message === "pair"
      ? `${many} kept on this device. Pair it again, then open this page: they are sent by themselves.`
      : `No answer from the cart. ${many} kept on this device and sent when it answers.`);
    return null;
  } finally {
    sending = false;
  }
}

function fill(form, outcome) {
  for (const place of form.querySelectorAll("[data-wrong]")) {
    const words = outcome.wrong?.[place.dataset.wrong] ?? "";
    place.textContent = words;
    place.hidden = !words;
    const field = form.elements.namedItem(place.dataset.wrong);
    field.toggleAttribute("aria-invalid", Boolean(words));
    if (words) field.setAttribute("aria-describedby", place.id);
  }
  if (outcome.wrong) form.querySelector("[aria-invalid]")?.focus();
}

for (const form of document.querySelectorAll("form[data-send]")) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    store.set(queueKey, JSON.stringify([...queue(), typed(form)]));
    tell("Sending");
    const outcome = await flush();
    if (outcome === null) { if (form.dataset.keep) store.drop(`${own}typed ${form.dataset.keep}`); return; }
    if (outcome.wrong) { tell("Not kept yet: see below."); fill(form, outcome); return; }
    store.drop(`${own}typed ${form.dataset.keep}`);
    location.assign("/setups?said=entered");
  });
}

if (document.querySelector("form[data-send]")) {
  const retry = async () => {
    if (!queue().length) return;
    const outcome = await flush();
    if (outcome && !outcome.wrong) location.assign("/setups?said=entered");
    if (outcome?.wrong) tell(`One kept entry was refused: ${Object.values(outcome.wrong).join(", ")}`);
  };
  retry();
  addEventListener("online", retry);
  setInterval(retry, 5000);
}
