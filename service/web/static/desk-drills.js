// Fills the report of a running drill while it is looked at. Without scripts there is the link "Look again".
"use strict";

const EVERY_MS = 3000;
const TRIES_MAX = 4000;
let leaving = false;

async function lookAgain(left) {
  const report = document.getElementById("report");
  if (report.dataset.running !== "yes" || left === 0 || leaving) return;
  try {
    const answer = await fetch(location.pathname);
    const page = answer.ok && !answer.redirected && new DOMParser().parseFromString(await answer.text(), "text/html");
    if (page && !leaving && !report.contains(document.activeElement)) {
      // Both, so that there is no button to end what is over.
      for (const id of ["report", "controls"]) {
        const fresh = page.getElementById(id);
        if (id === "report" || fresh.dataset.running === "no") document.getElementById(id).replaceWith(fresh);
      }
    }
  } catch {
    // The network is away; the next look comes.
  }
  setTimeout(lookAgain, EVERY_MS, left - 1);
}

// What was just pressed must not be taken from under the finger.
document.addEventListener("submit", () => { leaving = true; });
setTimeout(lookAgain, EVERY_MS, TRIES_MAX);
