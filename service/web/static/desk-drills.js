// Fills the report of a running drill while it is looked at. Without scripts there is the link "Look again".
"use strict";

const EVERY_MS = 3000;
const TRIES_MAX = 4000;

async function lookAgain(left) {
  const report = document.getElementById("report");
  if (report.dataset.running !== "yes" || left === 0) return;
  try {
    const answer = await fetch(location.pathname, { headers: { Accept: "text/html" } });
    if (answer.ok && !answer.redirected) {
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const fresh = page.getElementById("report");
      if (fresh.dataset.running === "no") return location.reload();
      if (!report.contains(document.activeElement)) report.replaceChildren(...fresh.childNodes);
    }
  } catch {
    // The network is away; the next look comes.
  }
  setTimeout(lookAgain, EVERY_MS, left - 1);
}

setTimeout(lookAgain, EVERY_MS, TRIES_MAX);
