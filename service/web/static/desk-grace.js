// Asks the server what the figures in the form would do, a moment after the last key, and shows its answer.
// It has no rules of its own: without it the button "Show" does the same.
"use strict";

const WAIT_MS = 250;
const TRIES = 4;
const AGAIN_MS = 1000;
const form = document.getElementById("grace-form");
let timer = 0;
let asking = null;

const query = () => {
  const fields = new URLSearchParams(new FormData(form));
  fields.delete("desk");
  fields.delete("made_from");
  return fields;
};

const put = (page) => {
  const opened = [...document.querySelectorAll("#drawn details")].map((one) => one.open);
  for (const id of ["glance", "drawn"]) {
    const fresh = page.getElementById(id);
    const stale = document.getElementById(id);
    if (!fresh || !stale) continue;
    // The status line itself stays, or what reads it aloud would not notice.
    if (id === "glance") stale.textContent = fresh.textContent;
    else stale.replaceWith(document.importNode(fresh, true));
  }
  document.querySelectorAll("#drawn details").forEach((one, place) => { one.open = opened[place] === true; });
};

const ask = async (tries) => {
  if (asking) asking.abort();
  asking = new AbortController();
  try {
    const answer = await fetch(`${form.dataset.preview}?${query()}`, { signal: asking.signal });
    if (answer.redirected || !answer.ok) throw new Error(String(answer.status));
    put(new DOMParser().parseFromString(await answer.text(), "text/html"));
  } catch (error) {
    if (error.name === "AbortError") return;
    if (tries > 1) {
      timer = setTimeout(ask, AGAIN_MS, tries - 1);
    } else {
      document.getElementById("glance").textContent = "The drawing is not up to date: press Show.";
    }
  }
};

form.addEventListener("input", () => {
  clearTimeout(timer);
  timer = setTimeout(ask, WAIT_MS, TRIES);
});
