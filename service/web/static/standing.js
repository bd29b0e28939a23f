// Counts on from the times that the server wrote, and looks again every fifteen seconds.
// Without it the page says the same, as of when it was loaded.
"use strict";

const LOOK_EVERY_MS = 15000;
const ANSWER_WITHIN_MS = 10000;

const words = (seconds) => {
  const whole = Math.floor(Math.abs(seconds));
  const hours = Math.floor(whole / 3600);
  const span = (hours ? `${hours} h ` : "") + `${Math.floor(whole / 60) % 60} min ${whole % 60} s`;
  return seconds > 0 ? `in ${span}` : `${span} ago`;
};

let loaded = performance.now();

const show = () => {
  const countdown = document.querySelector(".countdown");
  if (!countdown) return;
  const now = Date.parse(countdown.dataset.now) + (performance.now() - loaded) * Number(countdown.dataset.pace);
  countdown.querySelector(".left").textContent = words((Date.parse(countdown.dataset.at) - now) / 1000);
};

const look = async () => {
  const sign = document.getElementById("connection");
  try {
    const answer = await fetch(sign.dataset.page, {
      headers: { Accept: "text/html" },
      signal: within(ANSWER_WITHIN_MS),
    });
    if (!answer.ok) throw new Error(String(answer.status));
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector(".standing");
    if (fresh) {
      document.querySelector(".standing").replaceWith(fresh);
      loaded = performance.now();
    }
    sign.textContent = "";
    show();
  } catch {
    // A page that is frozen must not look calm.
    sign.textContent = "No connection. What you see here may be old.";
  }
  setTimeout(look, LOOK_EVERY_MS);
};

show();
setInterval(show, 1000);
setTimeout(look, LOOK_EVERY_MS);
