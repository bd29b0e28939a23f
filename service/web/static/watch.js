// Watches whether an alarm page is still good. A few bytes are asked for every five seconds; the page itself comes anew
// only when it would say something else, never while somebody is typing, and what was typed stays. A page that cannot
// reach us says so. Without this script there is the link "Look again".
"use strict";

const ASK_EVERY_MS = 5000;
const ANSWER_WITHIN_MS = 10000;
const STALE_AFTER_MS = 30000;
const TYPING_FOR_MS = 60000;
const CHANGED = "Something has happened since. It is shown here once you have stopped typing.";

const looked = document.getElementById("looked");
const at = document.getElementById("looked-at");
const stale = document.getElementById("stale");
const changed = document.getElementById("changed");

const byId = (within) => new Map([...within.querySelectorAll("[data-live]")].map((part) => [part.id, part]));
const asSent = new Map([...byId(document)].map(([id, part]) => [id, part.outerHTML]));

let look = looked.dataset.look;
let heardAt = Date.now();
let typedAt = 0;
let asking = false;
let over = false;

const isTyping = () =>
  document.activeElement?.matches("input") && Date.now() - typedAt < TYPING_FOR_MS;

// A look ends with a mark of the time, behind its last full stop.
const happened = (mark) => mark.slice(0, mark.lastIndexOf("."));

const nameOf = (one) => one.id || (one.name ? `${one.name}=${one.value}` : "");

// Puts the part that was sent anew in place of the old one; keeps what was typed, what was opened, and the focus.
const renew = (old, fresh) => {
  const focused = old.contains(document.activeElement) ? nameOf(document.activeElement) : "";
  for (const input of old.querySelectorAll("input:not([type=hidden])")) {
    const same = fresh.querySelector(`#${CSS.escape(input.id)}`);
    if (same && input.value) same.value = input.value;
  }
  for (const one of old.querySelectorAll("details[open]")) {
    const same = fresh.querySelector(`#${CSS.escape(one.id)}`);
    if (same) same.open = true;
  }
  old.replaceWith(fresh);
  const again = focused && [...fresh.querySelectorAll("input, button, a")].find((one) => nameOf(one) === focused);
  if (again) again.focus({ preventScroll: true });
};

const comeAnew = async (newLook) => {
  const answer = await fetch(`${looked.dataset.page}?live`, { signal: within(ANSWER_WITHIN_MS * 3) });
  if (!answer.ok) throw new Error(String(answer.status));
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  if (isTyping()) return; // somebody began meanwhile: the next look brings it
  const title = document.querySelector("h1")?.textContent;
  const fresh = byId(page);
  for (const [id, part] of byId(document)) {
    const next = fresh.get(id);
    if (!next) part.remove();
    else if (next.outerHTML !== asSent.get(id)) {
      asSent.set(id, next.outerHTML);
      renew(part, next);
    }
  }
  look = newLook;
  const now = document.querySelector("h1")?.textContent;
  changed.textContent = now === title ? "" : `Changed at ${at.textContent}: ${now}.`;
  document.title = page.title;
};

const show = () => {
  const isStale = over || Date.now() - heardAt > STALE_AFTER_MS;
  document.body.classList.toggle("is-stale", isStale);
  if (isStale === !stale.hidden) return;
  stale.hidden = !isStale;
  stale.textContent = !isStale
    ? ""
    : over
      ? "This link opens nothing any more. Act on the text itself."
      : `No connection since ${at.textContent}. What you see may be old. ${looked.dataset.lost || "Do not wait for this page: act on your text, and call."}`;
};

const ask = async () => {
  if (asking || over || document.visibilityState === "hidden") return;
  asking = true;
  try {
    const answer = await fetch(`${looked.dataset.page}/standing`, {
      cache: "no-store",
      signal: within(ANSWER_WITHIN_MS),
    });
    over = answer.status === 410;
    if (!answer.ok) throw new Error(String(answer.status));
    const standing = await answer.json();
    heardAt = Date.now();
    if (standing.look !== look && isTyping()) {
      // What is shown is not of now: no newer time stands beside it. That ages have passed alone is no news.
      if (happened(standing.look) !== happened(look)) changed.textContent = CHANGED;
    } else {
      at.textContent = standing.at;
      if (standing.look !== look) await comeAnew(standing.look);
    }
  } catch {
    // Said by show() once it has lasted.
  }
  asking = false;
  show();
};

document.addEventListener("input", () => (typedAt = Date.now()));
document.addEventListener("focusin", () => (typedAt = Date.now()));
document.addEventListener("visibilitychange", ask);
addEventListener("online", ask);
setInterval(ask, ASK_EVERY_MS);
setInterval(show, 1000);
