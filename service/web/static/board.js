// Keeps the water board new: by a stream of events where there is one, else by asking every ten seconds. Between news it
// counts on from the server's times. Without news for thirty seconds the page says so, by its style sheet alone too.
"use strict";

const LOST_AFTER_MS = 30000;
const ASK_EVERY_MS = 10000;
const ANSWER_WITHIN_MS = 9000;
const STREAM_AGAIN_MS = 60000;
const CRY_AGAIN_MS = 30000;

const byId = (id) => document.getElementById(id);
const page = byId("board-page");
const live = byId("live");
const banner = byId("lost");
const age = byId("age");
const ago = byId("ago");
const service = byId("service");
const pace = Number(page.dataset.pace);

let heardAt = Date.now();
let look = page.dataset.look;
let beat = { at_s: Number(page.dataset.at), age_s: page.dataset.age === "" ? null : Number(page.dataset.age) };
let stream = null;
let asking = false;

const startAnew = (part) => {
  part.classList.remove("fresh");
  void part.offsetWidth; // else the animation goes on where it was
  part.classList.add("fresh");
};

const heard = () => {
  heardAt = Date.now();
  startAnew(banner);
  startAnew(page);
  show();
};

const span = (seconds) => {
  const minutes = Math.floor(Math.abs(seconds) / 60);
  const hours = Math.floor(minutes / 60);
  if (hours >= 24) return null; // the server's words are good enough for days
  if (hours) return `${hours} h ${minutes % 60} min`;
  return minutes ? `${minutes} min` : "less than a minute";
};

const show = () => {
  const passed = ((Date.now() - heardAt) / 1000) * pace;
  const now = beat.at_s + passed;
  for (const one of live.querySelectorAll("[data-due]")) {
    const left = Number(one.dataset.due) - now;
    const words = span(left);
    if (words) one.textContent = left > 0 ? `due out in ${words}` : `${words} overdue`;
  }
  if (beat.age_s !== null) {
    const seconds = Math.max(beat.age_s + passed, 0);
    age.textContent = seconds < 100 ? `${Math.floor(seconds)} s` : span(seconds) || age.textContent;
  }
  ago.hidden = beat.age_s === null;
  const isLost = Date.now() - heardAt > LOST_AFTER_MS;
  if (isLost === page.classList.contains("is-lost")) return;
  page.classList.toggle("is-lost", isLost);
  byId("lost-said").textContent = isLost ? banner.textContent.trim() : "";
};

const takeBeat = (fresh) => {
  beat = fresh;
  if (fresh.age_s === null) age.textContent = fresh.age;
  service.classList.toggle("faulty", fresh.faults.length > 0);
  const words = fresh.faults.length ? fresh.faults.join(" ") : "The service works.";
  if (service.textContent !== words) service.textContent = words;
  heard();
};

const takeBoard = (html, newLook) => {
  look = newLook || look;
  const focused = live.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
  const fresh = new DOMParser().parseFromString(html, "text/html");
  live.replaceChildren(...fresh.body.childNodes);
  if (focused) live.querySelector(`a[href="${CSS.escape(focused)}"]`)?.focus({ preventScroll: true });
  cryOut();
};

// ---- By the stream, or by asking.

const signedOut = () => {
  byId("signed-out").hidden = false;
  stream?.close();
  stream = null;
};

const ask = async () => {
  if (stream || asking) return;
  asking = true;
  try {
    const answer = await fetch(`/admin/board/now?look=${encodeURIComponent(look)}`, {
      cache: "no-store",
      signal: within(ANSWER_WITHIN_MS),
    });
    if (answer.status === 401 || answer.status === 403) signedOut();
    else if (answer.ok) {
      const found = await answer.json();
      if (found.html !== null) takeBoard(found.html, found.look);
      takeBeat(found.beat);
      byId("signed-out").hidden = true;
    }
  } catch {
    // Said by show() once it has lasted.
  }
  asking = false;
};

const connect = () => {
  if (stream || !window.EventSource) return;
  const fresh = new EventSource(`/admin/board/stream?look=${encodeURIComponent(look)}`);
  stream = fresh;
  fresh.addEventListener("board", (event) => takeBoard(event.data, event.lastEventId));
  fresh.addEventListener("beat", (event) => takeBeat(JSON.parse(event.data)));
  fresh.addEventListener("error", () => {
    if (fresh.readyState !== EventSource.CLOSED) return; // it comes back by itself
    if (stream === fresh) stream = null;
    ask();
    setTimeout(connect, STREAM_AGAIN_MS);
  });
};

// ---- A sound for an alarm that nobody has answered, where it is switched on.

const sound = byId("sound");
const hush = byId("hush");
const said = byId("sound-said");
const recall = (store, key) => {
  try {
    return store.getItem(key);
  } catch {
    return null; // a browser that keeps nothing
  }
};
const keep = (store, key, value) => {
  try {
    store.setItem(key, value);
  } catch {
    // It holds for this page then.
  }
};

let wanted = recall(localStorage, "board-sound") === "on";
let audio = null;
let known = null; // the alarms that were there before
let hushed = new Set((recall(sessionStorage, "board-hushed") || "").split(" "));
let criedAt = 0;

// Which alarm it is: of which dive, and the how manieth.
const nameOf = (one) => `${one.querySelector("a")?.getAttribute("href") || ""}#${one.dataset.cry}`;
const crying = () => [...live.querySelectorAll("[data-cry]")].filter((one) => !hushed.has(nameOf(one)));

const tone = () => {
  if (!audio || audio.state !== "running") return;
  [0, 0.35, 0.7].forEach((after, place) => {
    const voice = audio.createOscillator();
    const loud = audio.createGain();
    voice.frequency.value = place % 2 ? 660 : 880;
    loud.gain.setValueAtTime(0.4, audio.currentTime + after);
    loud.gain.linearRampToValueAtTime(0, audio.currentTime + after + 0.3);
    voice.connect(loud).connect(audio.destination);
    voice.start(audio.currentTime + after);
    voice.stop(audio.currentTime + after + 0.3);
  });
};

const showSound = () => {
  const plays = wanted && audio !== null && audio.state === "running";
  sound.hidden = false;
  sound.textContent = plays ? "Sound off" : "Sound on";
  said.textContent = plays
    ? "Sound is on: a tone for each alarm that nobody has answered, every 30 seconds."
    : wanted
      ? "NO SOUND YET: this browser plays none before a button was pressed on this page. Press Sound on."
      : "";
  hush.hidden = !(plays && crying().length);
};

const cryOut = () => {
  const now = crying();
  const fresh = known === null ? [] : now.filter((one) => !known.has(nameOf(one)));
  if (fresh.length) byId("news").textContent = `New: ${fresh[0].innerText.split("\n").slice(0, 3).join(", ")}`;
  known = new Set([...(known || []), ...now.map(nameOf)]);
  if (wanted && now.length && (fresh.length || Date.now() - criedAt >= CRY_AGAIN_MS)) {
    criedAt = Date.now();
    page.dataset.cried = String(Number(page.dataset.cried || 0) + 1);
    tone();
  }
  showSound();
};

sound.addEventListener("click", async () => {
  const plays = wanted && audio !== null && audio.state === "running";
  wanted = !plays;
  keep(localStorage, "board-sound", wanted ? "on" : "off");
  if (wanted && window.AudioContext) {
    audio = audio || new AudioContext();
    await audio.resume();
    tone();
  }
  showSound();
});
hush.addEventListener("click", () => {
  hushed = new Set([...hushed, ...crying().map(nameOf)]);
  keep(sessionStorage, "board-hushed", [...hushed].join(" "));
  showSound();
});

// ---- The screen stays on where the browser lets it.

const stayAwake = async () => {
  if (document.visibilityState !== "visible" || !navigator.wakeLock) return;
  try {
    await navigator.wakeLock.request("screen");
  } catch {
    // A browser that saves its battery.
  }
};

document.addEventListener("visibilitychange", () => {
  stayAwake();
  ask();
});
addEventListener("online", ask);
stayAwake();
cryOut();
show();
connect();
setInterval(() => {
  show();
  cryOut();
}, 1000);
setInterval(ask, ASK_EVERY_MS);
