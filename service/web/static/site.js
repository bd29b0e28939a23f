// The form of a site: while somebody types, the server draws what is typed and says how it read it, and the new parts
// are put into this page. "Here" asks the phone where it is, only when it is pressed. Without this script the button
// draws, and positions are typed.
"use strict";

const DRAW_AFTER_MS = 700;
const ANSWER_WITHIN_MS = 15000;
const LOOK_AT_MOST_MS = 45000;
const GOOD_ENOUGH_M = 50;
const DRAWN = "#sketch, #advice, [id$='-said']";

const form = document.getElementById("site");
const drawButton = document.getElementById("draw");

const REFUSED = {
  1: "The phone did not give the position: this page may not ask for it. Allow it in the browser's settings for this page, or type the position.",
  2: "The phone cannot tell where it is just now. Go under open sky and press again, or type the position.",
  3: "Finding the position took too long. Go under open sky and press again, or type the position.",
};

let unsaved = false;
let waiting = 0;
let asking = null;

const put = (page) => {
  for (const part of form.querySelectorAll(DRAWN)) {
    const drawn = page.getElementById(part.id);
    if (drawn && drawn.innerHTML !== part.innerHTML) part.replaceChildren(...drawn.childNodes);
  }
};

const draw = async () => {
  clearTimeout(waiting);
  asking?.abort();
  const mine = new AbortController();
  asking = mine;
  const late = setTimeout(() => mine.abort("late"), ANSWER_WITHIN_MS);
  try {
    const body = new URLSearchParams(new FormData(form));
    body.set("do", "draw");
    const answer = await fetch(form.action, { method: "POST", body, signal: mine.signal, redirect: "error" });
    if (!answer.ok) throw new Error(String(answer.status));
    put(new DOMParser().parseFromString(await answer.text(), "text/html"));
    drawButton.textContent = "Draw what is typed";
  } catch {
    if (asking === mine) drawButton.textContent = "Not drawn: no connection. What you typed is still here. Draw again";
  } finally {
    clearTimeout(late);
    if (asking === mine) asking = null;
  }
};

const soon = () => {
  unsaved = true;
  clearTimeout(waiting);
  waiting = setTimeout(draw, DRAW_AFTER_MS);
};

const fill = (field, coords, said) => {
  field.value = `${coords.latitude.toFixed(6)}, ${coords.longitude.toFixed(6)}`;
  said.textContent = `Found, good to ${Math.ceil(coords.accuracy)} m.`;
  soon();
};

const found = (field, said, { coords }) => {
  if (coords.accuracy <= GOOD_ENOUGH_M) {
    fill(field, coords, said);
    return;
  }
  said.textContent = `Not put in: the phone knows its place to ${Math.ceil(coords.accuracy)} m only. Stand still under open sky and press again. `;
  const anyway = document.createElement("button");
  anyway.type = "button";
  anyway.className = "small second";
  anyway.textContent = "Put it in all the same";
  anyway.addEventListener("click", () => fill(field, coords, said));
  said.append(anyway);
};

const offerHere = (button) => {
  const field = document.getElementById(button.dataset.for);
  const said = document.getElementById(`${button.dataset.for}-located`);
  button.hidden = false;
  button.addEventListener("click", () => {
    button.disabled = true;
    said.textContent = "Asking the phone where it is. This can take half a minute.";
    const done = (then) => (what) => {
      button.disabled = false;
      then(what);
    };
    const how = { enableHighAccuracy: true, timeout: LOOK_AT_MOST_MS, maximumAge: 0 };
    navigator.geolocation.getCurrentPosition(
      done((where) => found(field, said, where)),
      done(({ code }) => { said.textContent = REFUSED[code] ?? REFUSED[2]; }),
      how,
    );
  });
};

if (navigator.geolocation && window.isSecureContext) {
  for (const button of form.querySelectorAll(".here")) offerHere(button);
}
form.addEventListener("input", soon);
form.addEventListener("submit", () => { unsaved = false; });
addEventListener("beforeunload", (event) => {
  if (unsaved) event.preventDefault();
});
