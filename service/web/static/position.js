// "Send my position": asks the phone where it is, only when the button is pressed, and sends that to this page.
// What could not be sent stays in this tab and is tried again. Without this script there is the field to type in.
"use strict";

const LOOK_AT_MOST_MS = 45000;
const SEND_AT_MOST_MS = 15000;
const TRY_AGAIN_MS = 10000;
const KEPT = `position ${location.pathname}`;

const form = document.getElementById("place");
const button = document.getElementById("locate");
const said = document.getElementById("located");

const orText = `Type the position below${form?.dataset.number ? `, or text AT and the position to ${form.dataset.number}` : ""}.`;

const REFUSED = {
  1: `The phone did not give the position: this page may not ask for it. Allow it in the browser's settings for this page. ${orText}`,
  2: `The phone cannot tell where it is just now. Go under open sky and press again. ${orText}`,
  3: `Finding the position took too long. Go under open sky and press again. ${orText}`,
};

// By our clock, whatever the phone's own clock shows: the page says what time it is, the phone only what has gone by.
const ours = Date.parse(form?.dataset.now), theirs = Date.now();
const byOurClock = (at) => new Date(ours + (at - theirs) * Number(form.dataset.pace)).toISOString();

const keep = (fields) => {
  try {
    if (fields) sessionStorage.setItem(KEPT, JSON.stringify(fields));
    else sessionStorage.removeItem(KEPT);
  } catch {
    // A browser that keeps nothing: the position is still tried again while the page stays open.
  }
};

const kept = () => {
  try {
    return JSON.parse(sessionStorage.getItem(KEPT));
  } catch {
    return null;
  }
};

const say = (words, wrong = false) => {
  said.className = wrong ? "error" : "";
  said.textContent = words;
};

const sayUnsent = (fields) => {
  const text = `AT ${Number(fields.lat).toFixed(5)},${Number(fields.lon).toFixed(5)}`;
  say("Not sent yet: no connection. The position is kept on this page and tried again. Or text it: ", true);
  const link = document.createElement("a");
  link.textContent = text;
  link.href = `sms:${form.dataset.number ?? ""}?body=${encodeURIComponent(text)}`;
  said.append(link);
};

let waiting = null;
let again = 0;
let sending = false;

const send = async () => {
  clearTimeout(again);
  if (sending || !waiting) return;
  sending = true;
  const fields = waiting;
  try {
    const answer = await fetch(form.action, {
      method: "POST",
      body: new URLSearchParams(fields),
      headers: { Accept: "text/html" },
      signal: within(SEND_AT_MOST_MS),
    });
    if (answer.status >= 500) throw new Error(String(answer.status));
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const words = page.querySelector(".outcome p") ?? page.querySelector(".summary li, main p");
    say(words?.textContent ?? "Sent.", !answer.ok);
    const known = page.getElementById("known");
    if (known) document.getElementById("known").replaceWith(known);
    if (waiting === fields) {
      waiting = null;
      keep(null);
    }
  } catch {
    sayUnsent(fields);
    again = setTimeout(send, TRY_AGAIN_MS);
  }
  sending = false;
  button.disabled = false;
  if (waiting && waiting !== fields) send(); // a newer one was found meanwhile
};

const found = ({ coords, timestamp }) => {
  waiting = {
    do: "fix",
    lat: coords.latitude.toFixed(7),
    lon: coords.longitude.toFixed(7),
    accuracy_m: String(coords.accuracy),
    at: byOurClock(timestamp),
  };
  keep(waiting);
  say("Found it, sending.");
  send();
};

const refused = ({ code }) => {
  button.disabled = false;
  say(REFUSED[code] ?? REFUSED[2], true);
};

if (form) {
  if (!navigator.geolocation || !window.isSecureContext) {
    say(`Here the phone gives no position to this page. ${orText}`);
  } else {
    button.hidden = false;
    button.addEventListener("click", () => {
      button.disabled = true;
      say("Asking the phone where it is. This can take half a minute.");
      const how = { enableHighAccuracy: true, timeout: LOOK_AT_MOST_MS, maximumAge: 0 };
      navigator.geolocation.getCurrentPosition(found, refused, how);
    });
  }
  waiting = kept();
  send();
  addEventListener("online", send);
}
