// Fetches the conversations and what rings every second and replaces what changed; what is being typed is left alone.
"use strict";

const EVERY_MS = 1000;
const sign = document.getElementById("refreshing");

const scrollDown = (conversation) => {
  conversation.scrollTop = conversation.scrollHeight;
};

const refresh = async () => {
  try {
    const answer = await fetch("/practice/conversations", { headers: { Accept: "text/html" } });
    if (!answer.ok) throw new Error(String(answer.status));
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    for (const conversation of fresh.querySelectorAll(".conversation")) {
      const shown = document.getElementById(conversation.id);
      if (shown && !shown.isEqualNode(conversation)) {
        shown.replaceWith(conversation);
        scrollDown(conversation);
      }
    }
    for (const ringing of fresh.querySelectorAll(".ringing")) {
      const shown = document.getElementById(ringing.id);
      // The place stays and its content changes: only then does a screen reader say it.
      if (shown && !shown.isEqualNode(ringing)) shown.replaceChildren(...ringing.childNodes);
    }
    sign.textContent = "What is new appears by itself.";
  } catch {
    sign.textContent = "No connection to the demonstration; trying again.";
  }
  setTimeout(refresh, EVERY_MS);
};

document.querySelectorAll(".conversation").forEach(scrollDown);
refresh();
